"""The page in which a line is explored: map and profile that answer to one another, month by month."""

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd

from towerlib.publish import (
    cautions,
    context,
    explorer_charts,
    explorer_evidence,
    explorer_history,
    explorer_layers,
    explorer_places,
)
from towerlib.publish.lettering import one_line
from towerlib.publish.style import CONTEXT

TEMPLATES = Path(__file__).parent / "templates"
SCRIPTS = ("explorer-state.js", "explorer-draw.js", "explorer.js")


def write(study, path):
    """Write the page of a line: one file that needs nothing else and asks no network.

    Parameters
    ----------
    study : Assessment
        A line as of a month.
    path : path
        ``explorer.html``; an existing file is replaced.

    Notes
    -----
    The same study gives the same bytes.
    """
    Path(path).write_text(page(study), encoding="utf-8")


def page(study):
    """The page as text.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    str
        HTML with its scripts, its styles and its tables inside.
    """
    from bokeh.resources import Resources
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    towers, stations, remarks = explorer_places.towers_placed(study)
    layers = context.layers(study.records.folder)
    shapes, unplaced = explorer_places.context_shapes(layers, towers, study.route.crs)
    told = contents(study, towers, stations, [shape["name"] for shape in shapes])
    scripts = [(TEMPLATES / name).read_text(encoding="utf-8") for name in SCRIPTS]
    room = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined)
    return room.get_template("explorer.html").render(
        title=study.line.title,
        month=study.month,
        stations=list(stations["name"]) if len(stations) else ["the first station", "the last station"],
        grid=study.route.crs.name,
        remarks=[*remarks, *unplaced, *study.route.remarks],
        off=[*study.network.off, *study.outages.off],
        assumed=[*study.network.assumed, *study.outages.assumed, *study.outages.remarks],
        cautions=cautions.CAUTIONS,
        style=Markup((TEMPLATES / "explorer.css").read_text(encoding="utf-8")),
        library=Markup(Resources(mode="inline", components=["bokeh"]).js_raw[0]),
        charts=Markup(_charts(shapes)),
        contents=Markup(_json(told)),
        script=Markup("\n".join(scripts)),
    )


def contents(study, towers, stations, context_names):
    """Tables of the page, in types that JSON has.

    Parameters
    ----------
    study : Assessment
    towers, stations : pandas.DataFrame
        As `explorer_places.towers_placed` gives them.
    context_names : list of str
        Layers under the map.

    Returns
    -------
    dict
    """
    layers, missing = explorer_layers.layers(study)
    months = explorer_history.months(study.grades.visits, study.month)
    seen = set(study.grades.visits["date"].dt.strftime("%Y-%m"))
    texts = _Texts()
    return {
        "months": months,
        "visited": [place for place, month in enumerate(months) if month in seen],
        "towers": {
            "name": [one_line(name) for name in towers["tower_id"]],
            "rank": _ints(towers["tower_id"].map(study.priority.set_index("tower_id")["rank"])),
            **{
                axis: _numbers(towers[column], 3)
                for axis, column in (("x", "x"), ("y", "y"), ("km", "chainage_km"))
            },
        },
        "spans": _spans(study, towers, texts),
        "stations": {axis: stations[axis].tolist() for axis in ("name", "x", "y")},
        "layers": [_layer(layer, explorer_history.number(months[0])) for layer in layers],
        "missing": missing,
        "context": [
            {"name": one_line(name), "colour": CONTEXT[place % len(CONTEXT)]}
            for place, name in enumerate(context_names)
        ],
        "sections": list(explorer_evidence.SECTIONS.items()),
        "evidence": [texts.coded(tower) for tower in explorer_evidence.of_towers(study)],
        "texts": texts.kept,
    }


class _Texts:
    """Sentences of the page, each kept once."""

    def __init__(self):
        self.kept, self._places = [], {}
        self._sections = {name: place for place, name in enumerate(explorer_evidence.SECTIONS)}

    def place(self, text):
        """Where a sentence stands."""
        if text not in self._places:
            self._places[text] = len(self.kept)
            self.kept.append(text)
        return self._places[text]

    def coded(self, sections):
        """Places of headings, each with the places of its paragraphs."""
        return [
            [self._sections[name], [self.place(text) for text in some]] for name, some in sections.items()
        ]


def _spans(study, towers, texts):
    """Spans by the places of their towers, what is said of them, and whether they are suspected."""
    spans = study.network.spans
    place = pd.Series(range(len(towers)), towers["tower_id"])
    told = explorer_evidence.of_spans(spans)
    return {
        "from": _ints(spans["from_tower_id"].map(place)),
        "to": _ints(spans["to_tower_id"].map(place)),
        "suspected": (spans["span_scan"] == "suspected").astype(int).tolist(),
        "evidence": [[texts.place(text) for text in some] for some in told],
    }


def _layer(layer, first):
    """A layer with the changes of each tower in one flat list: month, kind, value, low, high, day."""
    changes = layer.changes
    months = (changes["month"] - first).clip(lower=0)
    dates = changes["date"].dt.strftime("%Y-%m-%d") if changes["date"].notna().any() else None
    rows = [
        months.tolist(),
        changes["kind"].tolist(),
        *(_numbers(changes[name], digits=None) for name in ("value", "low", "high")),
        [None] * len(changes) if dates is None else _blank(dates),
    ]
    found = [[] for _ in range(changes["tower"].max() + 1 if len(changes) else 0)]
    for tower, *row in zip(changes["tower"].tolist(), *rows, strict=True):
        found[tower] += row
    return {
        "key": layer.key,
        "name": layer.name,
        "meaning": layer.meaning,
        "axis": layer.axis,
        "unit": layer.unit,
        "log": layer.log,
        "dated": layer.dated,
        "rows": [[height, text] for height, text in layer.rows.items()],
        "looks": [vars(look) for look in layer.looks],
        "steps": [[word, _numbers(pd.Series(ohm), 3)] for word, ohm in layer.steps],
        "changes": found,
    }


def _blank(texts):
    """Texts as JSON has them."""
    return [text if isinstance(text, str) else None for text in texts]


def _ints(numbers):
    """Whole numbers, None where there is none."""
    return [None if pd.isna(number) else int(number) for number in numbers]


def _numbers(numbers, digits):
    """Numbers to so many digits behind the point, or to five figures; None where there is none or no end."""
    numbers = numbers.to_numpy("float64", na_value=np.nan)
    rounded = digits is not None
    shown = (
        numbers.round(digits).tolist() if rounded else [float(f"{number:.5g}") for number in numbers.tolist()]
    )
    return [number if known else None for number, known in zip(shown, np.isfinite(numbers), strict=True)]


def _charts(shapes):
    """The empty charts as JSON, numbered from 1 so that the same study gives the same bytes."""
    from bokeh.embed import json_item

    written, order = _json(json_item(explorer_charts.layout(shapes))), {}
    return re.sub(r'"p\d+"', lambda found: f'"p{order.setdefault(found[0], len(order) + 1)}"', written)


def _json(contents):
    """JSON that can stand inside a script element: nothing in it can end the element."""
    written = json.dumps(contents, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        written = written.replace(sign, f"\\u{ord(sign):04x}")
    return written

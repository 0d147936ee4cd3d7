"""The explorer of a line: map and route profile linked, month by month, with the evidence of every tower and span.

One HTML file that needs no other and asks no network. Places are kilometres of the grid of the route.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.readings import standing
from towerlib.report import map_layers, pages
from towerlib.report.line_explorer import evidence
from towerlib.report.line_explorer import layers as line_explorer_layers
from towerlib.report.style import CONTEXT, HOLLOW, SHAPES, SPANS
from towerlib.text import one_line

if TYPE_CHECKING:
    import geopandas as gpd
    from bokeh.models import LayoutDOM
    from pyproj import CRS

    from towerlib.assessment import Study

DIGITS = 3  # of a kilometre: one metre
ROUND = 0.25  # of the extent of the line that context layers are kept around it
FINE = 2000  # parts of that extent below which a bend of a context layer is left out


def towers_placed(study: Study) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Towers of the condition with their place.

    `towers`: One row a tower in the order of the condition: tower_id, chainage_km, x, y [km]; no place where it is
    in doubt and far off the rest. `stations`: name, x, y [km]; none where no tower has a place. `remarks`: What is
    not drawn, and why.
    """
    placed = map_layers.placed(study.route, study.condition, "impedance")
    framed, remarks = map_layers.framed(placed)
    places = framed[["tower_id", "x", "y"]]
    towers = study.condition[["tower_id", "chainage_km"]].merge(
        places, on="tower_id", how="left", validate="1:1"
    )
    stations = pd.DataFrame(columns=["name", "x", "y"])
    if bool(framed["chainage_m"].notna().any()):
        stations, doubts = map_layers.stations(framed, study.route.crs, study.line)
        remarks = [*remarks, *doubts]
    return _kilometres(towers), _kilometres(stations), [remark for remark in remarks if remark]


def _kilometres(places):
    """Places in kilometres, to the metre."""
    return places.assign(
        **{axis: (places[axis].astype("float64") / 1000).round(DIGITS) for axis in ("x", "y")}
    )


def context_shapes(
    layers: list[gpd.GeoDataFrame], towers: pd.DataFrame, crs: CRS
) -> tuple[list[dict[str, Any]], list[str]]:
    """Context layers around the line, in numbers that a page can carry.

    `shapes`: One a layer that comes near: name, areas (xs and ys of the rings), lines, points [km]. `remarks`: Of
    layers without a place on the earth.
    """
    x, y = (towers[axis].dropna().to_numpy() * 1000 for axis in ("x", "y"))
    remarks = map_layers.unplaced(layers)
    if not len(x):
        return [], remarks
    extent = max(np.ptp(x), np.ptp(y), 4000)
    reach = ROUND * extent
    box = (x.min() - reach, y.min() - reach, x.max() + reach, y.max() + reach)
    bare = {id(layer) for layer in layers if map_layers.unplaced([layer])}
    shapes = [_shapes(layer, crs, box, extent / FINE) for layer in layers if id(layer) not in bare]
    return [shape for shape in shapes if shape["areas"] or shape["lines"] or shape["points"]], remarks


def _shapes(layer, crs, box, fine):
    """Areas, lines and points of one layer inside a box."""
    from shapely import get_parts, make_valid

    geometry = layer.to_crs(crs).geometry.dropna()
    geometry = geometry[~geometry.is_empty]
    near = geometry[geometry.intersects(_box(box))].to_numpy()
    cut = _cut(make_valid(near), box, fine)
    found = {"name": str(layer.attrs.get("name") or "context"), "areas": [], "lines": [], "points": []}
    for part in get_parts(get_parts(cut)):
        if part.is_empty:
            continue
        if part.geom_type == "Polygon":
            rings = [_numbers(ring) for ring in (part.exterior, *part.interiors)]
            found["areas"].append(([[xs for xs, _ in rings]], [[ys for _, ys in rings]]))
        elif part.geom_type in ("LineString", "LinearRing"):
            found["lines"].append(_numbers(part))
        elif part.geom_type == "Point":
            found["points"].append((round(part.x / 1000, DIGITS), round(part.y / 1000, DIGITS)))
    return found


def _box(box):
    """The box as an area."""
    from shapely import box as area

    return area(*box)


def _cut(shapes, box, fine):
    """Shapes inside the box without bends too small to be seen."""
    from shapely import intersection, simplify

    return simplify(intersection(shapes, _box(box)), fine)


def _numbers(line):
    """Easting and northing of a line [km]."""
    from shapely import force_2d, get_coordinates

    x, y = (get_coordinates(force_2d(line)) / 1000).round(DIGITS).T
    return x.tolist(), y.tolist()


TEXT = {"text_font": {"value": "sans-serif"}, "text_font_size": "13px"}
PAD = 14  # least margin of a chart [pixels]


def layout(context: list[dict[str, Any]]) -> LayoutDOM:
    """Map over profile, sharing the towers, the spans and what is chosen.

    Named models: ``map``, ``profile``; sources ``towers``, ``spans``, ``flags``, ``chosen``, ``chosen-span``,
    ``stations``, ``bars``, ``target``, ``limit``, ``scale``. `context`: Layers under the map, as
    `explorer_places.context_shapes` gives them.
    """
    from bokeh.layouts import column

    sources = _sources()
    charts = [_map(sources, context), _profile(sources)]
    return column(*charts, sizing_mode="stretch_width", spacing=4)


def _sources():
    """Tables that the page fills."""
    from bokeh.models import ColumnDataSource

    columns = {
        "towers": "x y along height marker colour size ink edge name words tower",
        "spans": "x0 y0 x1 y1 from_km to_km height colour width dash",
        "flags": "x y along height span ink",
        "chosen": "x y along height name map_align map_shift align shift",
        "chosen-span": "x0 y0 x1 y1 from_km to_km height",
        "stations": "x y name align drop",
        "bars": "along low high",
        "target": "along height",
        "limit": "along height",
        "scale": "x0 x1 middle y name",
    }
    return {
        name: ColumnDataSource({column: [] for column in each.split()}, name=name)
        for name, each in columns.items()
    }


def _figure(name, height, **looks):
    """An empty chart without ranges of its own making."""
    from bokeh.models import PanTool, Range1d
    from bokeh.plotting import figure

    chart = figure(
        name=name,
        height=height,
        sizing_mode="stretch_width",
        tools="",
        toolbar_location=None,
        x_range=Range1d(cast("Any", 0), cast("Any", 1)),
        y_range=Range1d(cast("Any", 0), cast("Any", 1)),
        min_border=PAD,
        lod_threshold=None,
        **looks,
    )
    chart.add_tools(PanTool())
    for axis in chart.axis:
        axis.axis_label_text_font_style = "normal"
        axis.major_label_text_font_size = axis.axis_label_text_font_size = "13px"
        axis.minor_tick_line_color = None
    return chart


def _hands(chart, towers, spans):
    """Tap on the marks of a chart, and the pointer over its towers."""
    from bokeh.models import HoverTool, TapTool

    looks = {
        "tooltips": "@name<br>@words",
        "point_policy": "snap_to_data",
        "attachment": "vertical",
        "limit": 1,
    }
    chart.add_tools(
        TapTool(renderers=[towers, *spans], mode="replace"), HoverTool(renderers=[towers], **looks)
    )


def _towers(chart, source, x, y):
    """Towers with the mark of their class; a thick outline under the pointer, in both charts at once."""
    looks = {
        "marker": "marker",
        "size": "size",
        "fill_color": "colour",
        "line_color": "ink",
        "line_width": "edge",
    }
    drawn = chart.scatter(x, y, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    drawn.hover_glyph = drawn.glyph.clone(line_width=4)
    return drawn


def _flags(chart, source, x, y):
    """Star on the middle of a suspected span: the span itself is short where the whole line is shown."""
    looks = {"marker": "star", "size": 20, "fill_color": "ink", "line_width": 1.2, "name": "flag-marks"}
    drawn = chart.scatter(x, y, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    return drawn


def _choice(chart, source, x, y, side=""):
    """Ring and name of the chosen tower, the name on the side that has room."""
    looks = {"size": 26, "marker": "circle", "fill_alpha": 0, "line_width": 3}
    chart.scatter(x, y, source=source, name="choice", **looks)
    looks = {"text_align": f"{side}align", "x_offset": f"{side}shift", "y_offset": 5, "padding": 2}
    words = chart.text(x, y, source=source, text="name", name="choice-name", **looks, **TEXT)
    words.glyph.text_font_style, words.glyph.background_fill_alpha = "bold", 0.85


def _map(sources, context):
    """Map on the grid of the route, kilometres, true in both directions."""
    chart = _figure("map", 430, x_axis_label="Easting [km]", y_axis_label="Northing [km]")
    for number, layer in enumerate(context):
        colour = CONTEXT[number % len(CONTEXT)]
        if layer["areas"]:
            xs, ys = map(list, zip(*layer["areas"], strict=True))
            chart.multi_polygons(xs, ys, color=colour, fill_alpha=0.5, line_alpha=0.9)
        if layer["lines"]:
            chart.multi_line(*map(list, zip(*layer["lines"], strict=True)), color=colour, line_width=2)
        if layer["points"]:
            chart.scatter(
                *map(list, zip(*layer["points"], strict=True)), color=colour, marker="cross", size=8
            )
    ends = cast("Any", {"x0": "x0", "y0": "y0", "x1": "x1", "y1": "y1"})
    halo = chart.segment(
        **ends, source=sources["chosen-span"], line_width=12, line_alpha=0.35, name="span-choice"
    )
    halo.glyph.line_cap = "round"
    spans = _spans(chart, sources["spans"], ends)
    chart.scatter(
        "x",
        "y",
        source=sources["stations"],
        marker="square_x",
        size=13,
        fill_alpha=0,
        line_width=2,
        name="station-marks",
    )
    chart.text(
        "x",
        "y",
        source=sources["stations"],
        text="name",
        text_align="align",
        y_offset="drop",
        name="station-names",
        **TEXT,
    )
    towers = _towers(chart, sources["towers"], "x", "y")
    flags = _flags(chart, sources["flags"], "x", "y")
    _choice(chart, sources["chosen"], "x", "y", "map_")
    bar = {"source": sources["scale"], "line_width": 2.5, "name": "scale-bar"}
    chart.segment("x0", "y", "x1", "y", **bar)
    words = {"text_align": "center", "y_offset": -4, "name": "scale-words"}
    chart.text("middle", "y", text="name", source=sources["scale"], **words, **TEXT)
    _hands(chart, towers, [flags, spans])
    return chart


def _spans(chart, source, ends):
    """Spans; what is suspected is thick and dashed."""
    looks = {"line_color": "colour", "line_width": "width", "line_dash": "dash"}
    drawn = chart.segment(**ends, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    return drawn


def _profile(sources):
    """Route from the first station to the last; rows or round numbers at the left, set by the page."""
    from bokeh.models import FixedTicker

    chart = _figure("profile", 300, x_axis_label="Chainage from the first station [km]", y_axis_label=" ")
    chart.yaxis.ticker = FixedTicker(ticks=[])
    for name, dash in (("target", "dotted"), ("limit", "dashed")):
        chart.step(
            "along",
            "height",
            source=sources[name],
            mode="center",
            line_width=2,
            line_dash=dash,
            name=f"{name}-line",
        )
    chart.segment("along", "low", "along", "high", source=sources["bars"], line_width=1.5, name="bar-lines")
    ends = cast("Any", {"x0": "from_km", "y0": "height", "x1": "to_km", "y1": "height"})
    halo = chart.segment(
        **ends, source=sources["chosen-span"], line_width=12, line_alpha=0.35, name="span-choice"
    )
    halo.glyph.line_cap = "round"
    spans = _spans(chart, sources["spans"], ends)
    towers = _towers(chart, sources["towers"], "along", "height")
    flags = _flags(chart, sources["flags"], "along", "height")
    _choice(chart, sources["chosen"], "along", "height")
    _hands(chart, towers, [flags, spans])
    return chart


TEMPLATES = Path(__file__).parents[1] / "templates"
SCRIPTS = ("explorer-state.js", "explorer-draw.js", "explorer.js")


def write(study: Study, path: str | Path) -> None:
    """Write the page of a line: one file that needs nothing else and asks no network.

    `path`: ``explorer.html``; an existing file is replaced. The same study gives the same bytes.
    """
    Path(path).write_text(page(study), encoding="utf-8")


def page(study: Study) -> str:
    """The page as text.

    HTML with its scripts, its styles and its tables inside.
    """
    from bokeh.resources import Resources
    from markupsafe import Markup

    towers, stations, remarks = towers_placed(study)
    layers = map_layers.layers(study.records.folder)
    shapes, unplaced = context_shapes(layers, towers, study.route.crs)
    tables = contents(study, towers, stations, [shape["name"] for shape in shapes])
    scripts = [(TEMPLATES / name).read_text(encoding="utf-8") for name in SCRIPTS]
    return pages.render(
        "explorer.html",
        title=study.line.title,
        month=study.month,
        stations=list(stations["name"]) if len(stations) else ["the first station", "the last station"],
        grid=study.route.crs.name,
        remarks=[*remarks, *unplaced, *study.route.remarks],
        off=[*study.network.off, *study.outages.off],
        assumed=[*study.network.assumed, *study.outages.assumed, *study.outages.remarks],
        library=Markup(Resources(mode="inline", components=["bokeh"]).js_raw[0]),
        charts=Markup(_charts(shapes)),
        contents=Markup(_json(tables)),
        script=Markup("\n".join(scripts)),
    )


def contents(
    study: Study, towers: pd.DataFrame, stations: pd.DataFrame, context_names: list[str]
) -> dict[str, Any]:
    """Tables of the page, in types that JSON has."""
    layers, missing = line_explorer_layers.layers(study)
    months = standing.months_until(study.grades.visits, study.month)
    seen = set(study.grades.visits["date"].dt.strftime("%Y-%m"))
    texts = _Texts()
    return {
        "months": months,
        "visited": [place for place, month in enumerate(months) if month in seen],
        "towers": {
            "name": [one_line(name) for name in towers["tower_id"]],
            "rank": _ints(cast("Any", towers["tower_id"]).map(study.priority.set_index("tower_id")["rank"])),
            **{
                axis: _explorer_numbers(towers[column], 3)
                for axis, column in (("x", "x"), ("y", "y"), ("km", "chainage_km"))
            },
        },
        "spans": _explorer_spans(study, towers, texts),
        "stations": {axis: stations[axis].tolist() for axis in ("name", "x", "y")},
        "layers": [_layer(layer, standing.month_number(months[0])) for layer in layers],
        "missing": missing,
        "hollow": HOLLOW,
        "suspected": SPANS["suspected"].label,
        "context": [
            {"name": one_line(name), "colour": CONTEXT[place % len(CONTEXT)]}
            for place, name in enumerate(context_names)
        ],
        "sections": list(evidence.SECTIONS.items()),
        "evidence": [texts.coded(tower) for tower in evidence.of_towers(study)],
        "texts": texts.kept,
    }


class _Texts:
    """Sentences of the page, each kept once."""

    def __init__(self):
        self.kept, self._places = [], {}
        self._sections = {name: place for place, name in enumerate(evidence.SECTIONS)}

    def place(self, text: str) -> int:
        """Where a sentence stands."""
        if text not in self._places:
            self._places[text] = len(self.kept)
            self.kept.append(text)
        return self._places[text]

    def coded(self, sections: dict[str, list[str]]) -> list[list[Any]]:
        """Places of headings, each with the places of its paragraphs."""
        return [
            [self._sections[name], [self.place(text) for text in some]] for name, some in sections.items()
        ]


def _explorer_spans(study, towers, texts):
    """Spans by the places of their towers, what is said of them, and whether they are suspected."""
    spans = study.network.spans
    place = pd.Series(range(len(towers)), towers["tower_id"])
    told = evidence.of_spans(spans)
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
        *(_explorer_numbers(changes[name], digits=None) for name in ("value", "low", "high")),
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
        "looks": [vars(look) | {"marker": SHAPES[look.shape].bokeh} for look in layer.looks],
        "steps": [[word, _explorer_numbers(pd.Series(ohm), 3)] for word, ohm in layer.steps],
        "changes": found,
    }


def _blank(texts):
    """Texts as JSON has them."""
    return [text if isinstance(text, str) else None for text in texts]


def _ints(numbers):
    """Whole numbers, None where there is none."""
    return [None if pd.isna(number) else int(number) for number in numbers]


def _explorer_numbers(numbers, digits):
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

    written, order = _json(json_item(layout(shapes))), {}
    return re.sub(r'"p\d+"', lambda found: f'"p{order.setdefault(found[0], len(order) + 1)}"', written)


def _json(contents):
    """JSON that can stand inside a script element: nothing in it can end the element."""
    written = json.dumps(contents, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        written = written.replace(sign, f"\\u{ord(sign):04x}")
    return written

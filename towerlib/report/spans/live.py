"""The views of a stretch with controls beside them, for a notebook that runs live."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from io import BytesIO
from pathlib import Path
from threading import RLock
from typing import TYPE_CHECKING, Any, cast

from towerlib.errors import TowerlibError
from towerlib.network import what_if
from towerlib.report import style
from towerlib.report.spans import case, charts

if TYPE_CHECKING:
    import ipywidgets
    import pandas as pd
    from matplotlib.figure import Figure

    from towerlib.assessment import Study
    from towerlib.network.what_if import Change, Stretch
    from towerlib.report.spans.case import LineCase

NONE = "–"
BY_HAND = "by hand: move the ends below"
DOTS = 140  # an inch, on the screen
HINT = "Choose a suspected place, or move the ends; open a bond or a span, or give a footing another value."


@dataclass(frozen=True)
class Controls:
    """Controls of the explorer; every field is a widget."""

    line: Any
    place: Any
    ends: Any
    bond: Any
    span: Any
    tower: Any
    footing: Any


@dataclass(frozen=True)
class Views:
    """Views that follow the controls; every field is a widget."""

    status: Any
    evidence: Any
    summary: Any
    picture: Any
    readings: Any
    whole: Any


def explorer(
    records_folder: str | Path,
    study: Study,
    stretch: Stretch,
    change: Change,
    assess: Callable[[Path], Study],
) -> ipywidgets.VBox:
    """Controls over linked views: evidence, what-if, and the readings that decide best.

    Every control redraws all views; a line that was opened once is kept. `assess`: line folder to study.
    """
    import ipywidgets

    name = study.records.folder.name
    lines, quiet = {name: case.line_case(study)}, [True]
    one_at_a_time = RLock()
    controls, views = _controls(records_folder, name), _views()

    def line():
        if controls.line.value not in lines:
            views.status.value = "Reading the records of the line and scanning it; this can take a minute …"
            chosen = assess(Path(records_folder) / controls.line.value)
            lines[controls.line.value] = case.line_case(chosen)
        return lines[controls.line.value]

    def turn(event):
        # A kernel may take clicks in a thread of their own: one waits for the other, none is lost. What the
        # controls do to one another comes from the same thread, and is quiet.
        with one_at_a_time:
            if not quiet[0]:
                follow(event)

    def follow(event):
        quiet[0] = True
        try:
            if event["owner"] is controls.line:
                _fill(controls, line())
            if event["owner"] in (controls.line, controls.place):
                _go(controls, line())
            if event["owner"] is controls.tower:
                _take_footing(controls, line())
            _redraw(controls, views, line())
        except TowerlibError as flaw:
            views.status.value = escape(str(flaw))
        finally:
            quiet[0] = False

    _fill(controls, line())
    _begin(controls, stretch, change)
    _redraw(controls, views, line())
    quiet[0] = False
    for control in vars(controls).values():
        control.observe(turn, names="value")
    where = ipywidgets.HBox([controls.line, controls.place])
    what = ipywidgets.HBox([controls.bond, controls.span])
    footing = ipywidgets.HBox([controls.tower, controls.footing])
    return ipywidgets.VBox([where, controls.ends, what, footing, views.status, views.whole])


def _controls(records_folder: str | Path, name: str) -> Controls:
    """The controls, not filled yet."""
    import ipywidgets as w

    folders = sorted(toml.parent.name for toml in Path(records_folder).glob("*/line.toml"))
    wide, look = w.Layout(width="48%"), {"description_width": "140px"}
    drop = {"style": look, "layout": wide}
    return Controls(
        line=w.Dropdown(description="line", options=folders, value=name, **drop),
        place=w.Dropdown(description="suspected place", options=[BY_HAND], **drop),
        ends=w.FloatRangeSlider(
            description="stretch [km]",
            style=look,
            layout=w.Layout(width="96%"),
            step=0.01,
            continuous_update=False,
        ),
        bond=w.Dropdown(description="open the bond of", options=[NONE], **drop),
        span=w.Dropdown(description="open the span", options=[NONE], **drop),
        tower=w.Dropdown(description="change footing of", options=[NONE], **drop),
        footing=w.FloatLogSlider(
            description="to [Ω]",
            value=10,
            min=-1,
            max=3,
            step=0.02,
            readout_format=".3g",
            continuous_update=False,
            **drop,
        ),
    )


def _views() -> Views:
    """The views, still blank."""
    import ipywidgets as w

    half = w.Layout(width="720px")
    status, summary, readings = w.HTML(HINT), w.HTML(), w.HTML()
    evidence, picture = w.Image(format="png", layout=half), w.Image(format="png", layout=half)
    tabs = w.Tab([w.VBox([summary, evidence]), w.VBox([picture]), readings])
    tabs.titles = ("Evidence", "What if", "Numbers")
    return Views(status, evidence, summary, picture, readings, tabs)


def _fill(controls: Controls, line: LineCase) -> None:
    """Choices of a line (changes the controls)."""
    study = line.study
    names = [NONE, *study.route.towers["tower_id"]]
    spans = study.route.spans
    suspected = case.suspected(study)
    controls.place.options = [BY_HAND, *suspected["place"] + ", " + suspected["state"]]
    controls.place.index = min(1, len(suspected))
    controls.bond.options = controls.tower.options = names
    controls.span.options = [NONE, *spans["from_tower_id"] + "-" + spans["to_tower_id"]]
    last_km = cast("pd.Series", study.route.towers["chainage_m"]).max() / 1000
    controls.ends.min, controls.ends.max = 0.0, float(last_km) + 0.01


def _begin(controls: Controls, stretch: Stretch, change: Change) -> None:
    """Where and with what to begin (changes the controls)."""
    controls.place.index = 0
    controls.ends.value = (stretch.from_km, stretch.to_km)
    _show(controls, change)
    for place, ohm in change.footings:
        controls.tower.index, controls.footing.value = place + 1, ohm


def _show(controls: Controls, change: Change) -> None:
    """Bond and span of a change (changes the controls)."""
    controls.bond.index = change.bonds[0] + 1 if change.bonds else 0
    controls.span.index = change.spans[0] + 1 if change.spans else 0
    controls.tower.index = 0


def _go(controls: Controls, line: LineCase) -> None:
    """Go to the suspected place that is chosen, and try it as the what-if (changes the controls)."""
    chosen = controls.place.index - 1
    if chosen < 0:
        return
    place = case.suspected(line.study).iloc[chosen]
    controls.ends.value = (place["from_km"], place["to_km"])
    first = int(place["first"])
    is_span = place["last"] > place["first"]
    _show(controls, what_if.Change(spans=(first,)) if is_span else what_if.Change(bonds=(first,)))


def _take_footing(controls: Controls, line: LineCase) -> None:
    """Set the slider to the footing that the tower has (changes the controls)."""
    if line.case is not None and controls.tower.index:
        controls.footing.value = float(line.case.model.footing_ohm[controls.tower.index - 1])


def _redraw(controls: Controls, views: Views, line: LineCase) -> None:
    """Draw every view anew (changes the views)."""
    study = line.study
    stretch = what_if.stretch(study.route, *controls.ends.value)
    bond, span, tower = (
        "" if it.value == NONE else it.value for it in (controls.bond, controls.span, controls.tower)
    )
    change = what_if.change(study.route, bond, span, tower, controls.footing.value)
    views.status.value = escape(
        f"{study.line.title}, {study.month}: {case.change_words(line, change)}. {HINT}"
    )
    views.summary.value = case.evidence(study, stretch)._repr_html_()
    views.evidence.value = _png(charts.span_picture(line, stretch, change))
    views.picture.value = _png(charts.whatif_picture(line, stretch, change))
    parts = [f"<pre style='line-height:1.25'>{escape(case.answer(line, stretch, change))}</pre>"]
    if line.case is not None:
        parts += [
            case.deciding(line.case, stretch, change)._repr_html_(),
            case.compared(line.case, stretch, change)._repr_html_(),
        ]
    views.readings.value = "\n".join(parts)


def _png(figure: Figure) -> bytes:
    """A picture as bytes."""
    held = BytesIO()
    figure.savefig(held, dpi=DOTS, metadata=style.PNG["metadata"])
    return held.getvalue()

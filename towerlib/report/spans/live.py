"""The views of a stretch with controls beside them, for a notebook that runs live."""

from dataclasses import dataclass
from html import escape
from io import BytesIO
from pathlib import Path
from threading import RLock

from towerlib.errors import TowerlibError
from towerlib.network import what_if
from towerlib.report import style
from towerlib.report.spans import case, charts

NONE = "–"
BY_HAND = "by hand: move the ends below"
DOTS = 140  # an inch, on the screen
HINT = "Choose a suspected place, or move the ends; open a bond or a span, or give a footing another value."


@dataclass(frozen=True)
class Controls:
    """What the engineer moves; every field is a widget."""

    line: object
    place: object
    ends: object
    bond: object
    span: object
    tower: object
    footing: object


@dataclass(frozen=True)
class Views:
    """What is drawn anew; every field is a widget."""

    status: object
    evidence: object
    told: object
    picture: object
    readings: object
    whole: object


def explorer(records_folder, study, stretch, change, assess):
    """Controls over linked views: evidence, what-if, and the reading that tells most.

    Parameters
    ----------
    records_folder : path
        Folder of the line folders that can be chosen.
    study : Study
        The line to begin with.
    stretch, change : Stretch, Change
        Where and with what to begin.
    assess : callable
        Line folder to study, as `towerlib.assess`.

    Returns
    -------
    ipywidgets.VBox
        Every control redraws all views; a line that was opened once is kept.
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
    _begin(controls, line(), stretch, change)
    _redraw(controls, views, line())
    quiet[0] = False
    for control in vars(controls).values():
        control.observe(turn, names="value")
    where = ipywidgets.HBox([controls.line, controls.place])
    what = ipywidgets.HBox([controls.bond, controls.span])
    footing = ipywidgets.HBox([controls.tower, controls.footing])
    return ipywidgets.VBox([where, controls.ends, what, footing, views.status, views.whole])


def _controls(records_folder, name):
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


def _views():
    """The views, still blank."""
    import ipywidgets as w

    half = w.Layout(width="720px")
    status, told, readings = w.HTML(HINT), w.HTML(), w.HTML()
    evidence, picture = w.Image(format="png", layout=half), w.Image(format="png", layout=half)
    tabs = w.Tab([w.VBox([told, evidence]), w.VBox([picture]), readings])
    tabs.titles = ("Evidence", "What if", "Numbers")
    return Views(status, evidence, told, picture, readings, tabs)


def _fill(controls, line):
    """Choices of a line (changes the controls)."""
    study = line.study
    names = [NONE, *study.route.towers["tower_id"]]
    spans = study.route.spans
    suspected = case.suspected(study)
    controls.place.options = [BY_HAND, *suspected["place"] + ", " + suspected["state"]]
    controls.place.index = min(1, len(suspected))
    controls.bond.options = controls.tower.options = names
    controls.span.options = [NONE, *spans["from_tower_id"] + "-" + spans["to_tower_id"]]
    controls.ends.min, controls.ends.max = 0.0, float(study.route.towers["chainage_m"].max() / 1000) + 0.01


def _begin(controls, line, stretch, change):
    """Where and with what to begin (changes the controls)."""
    controls.place.index = 0
    controls.ends.value = (stretch.from_km, stretch.to_km)
    _show(controls, change)
    for place, ohm in change.footings:
        controls.tower.index, controls.footing.value = place + 1, ohm


def _show(controls, change):
    """Bond and span of a change (changes the controls)."""
    controls.bond.index = change.bonds[0] + 1 if change.bonds else 0
    controls.span.index = change.spans[0] + 1 if change.spans else 0
    controls.tower.index = 0


def _go(controls, line):
    """Go to the suspected place that is chosen, and try it as the what-if (changes the controls)."""
    chosen = controls.place.index - 1
    if chosen < 0:
        return
    place = case.suspected(line.study).iloc[chosen]
    controls.ends.value = (place["from_km"], place["to_km"])
    first = int(place["first"])
    is_span = place["last"] > place["first"]
    _show(controls, what_if.Change(spans=(first,)) if is_span else what_if.Change(bonds=(first,)))


def _take_footing(controls, line):
    """Set the slider to the footing that the tower has (changes the controls)."""
    if line.case is not None and controls.tower.index:
        controls.footing.value = float(line.case.model.footing_ohm[controls.tower.index - 1])


def _redraw(controls, views, line):
    """Draw every view anew (changes the views)."""
    study = line.study
    stretch = what_if.stretch(study.route, *controls.ends.value)
    names = [_chosen(control) for control in (controls.bond, controls.span, controls.tower)]
    change = what_if.change(study.route, *names, controls.footing.value)
    views.status.value = escape(
        f"{study.line.title}, {study.month}: {case.change_words(line, change)}. {HINT}"
    )
    views.told.value = _pre(case.evidence(study, stretch))
    views.evidence.value = _png(charts.span_picture(line, stretch, change))
    views.picture.value = _png(charts.whatif_picture(line, stretch, change))
    views.readings.value = _pre(
        "\n\n".join(
            part(line, stretch, change) for part in (case.answer, case.telling_table, case.whatif_table)
        )
    )


def _chosen(control):
    """Name that is chosen; blank for none."""
    return "" if control.value == NONE else control.value


def _pre(text):
    """Text as it stands, for a page."""
    return f"<pre style='line-height:1.25'>{escape(text)}</pre>"


def _png(figure):
    """A picture as bytes."""
    held = BytesIO()
    figure.savefig(held, **(style.PNG | {"dpi": DOTS}))
    return held.getvalue()

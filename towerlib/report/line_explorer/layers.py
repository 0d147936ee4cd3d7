"""Marks, classes and changes: what a layer of the page is made of."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.colors import to_hex

from towerlib.condition import CLASSES, impedance_class
from towerlib.report import layout, style, tower_marks
from towerlib.report.line_explorer import history
from towerlib.report.style import COLOURS
from towerlib.text import plain


@dataclass(frozen=True)
class Look:
    """Mark of one class: words of the legend, shape as the chart library names it, colour ("" hollow), size."""

    label: str
    marker: str
    colour: str
    size: float = 1.0
    bounded: bool = False  # the value is at least this


@dataclass(frozen=True)
class Layer:
    """One thing to show of all towers.

    Attributes
    ----------
    key, name, meaning : str
        Name in the page, in the list of layers, and what it says in sentences.
    axis, unit : str
        Title of the axis of the profile, and the unit behind a value.
    looks : tuple of Look
        Classes; the last drawn on top.
    changes : pandas.DataFrame
        tower, month (months since the year 0), kind (place in `looks`), value, low, high; a row stands until
        the next of its tower.
    rows : dict of float to str
        Texts at the axis of the profile.
    log, dated : bool
        Whether the axis is logarithmic, and whether the layer has a history.
    steps : dict of str to array
        Lines along the route: target, limit.
    """

    key: str
    name: str
    meaning: str
    axis: str
    unit: str
    looks: tuple
    changes: pd.DataFrame
    rows: dict
    log: bool = False
    dated: bool = False
    steps: tuple = ()


def class_look(name, marker, label=None, **more):
    """Mark of a class in the colour that it has in every picture.

    Parameters
    ----------
    name : str
        Key of `markers.MARKS`.
    marker : str
        Shape, as the chart library names it.
    label : str, optional
        Words of the legend; else the name.
    **more
        Passed to `Look`.

    Returns
    -------
    Look
    """
    mark = style.MARKS[name]
    return Look(label or name, marker, to_hex(mark.colour), mark.size if marker != "circle" else 1.0, **more)


def by_share(label, marker, share, size=1.2):
    """Mark in a colour of the scale, 1 the worst.

    Parameters
    ----------
    label, marker : str
        Words of the legend, and shape.
    share : float
        Place in the scale of colours, 0 to 1.
    size : float
        Against a plain circle.

    Returns
    -------
    Look
    """
    return Look(label, marker, to_hex(COLOURS(share)), size)


NOT_TESTED = Look("not tested", "circle_x", "", 0.9)


def placed(changes, condition):
    """Changes with the place of the tower along the route; those without a month stand from the first on.

    Parameters
    ----------
    changes : pandas.DataFrame
        tower_id, kind, value and what else a layer has.
    condition : pandas.DataFrame
        One row a tower, in route order.

    Returns
    -------
    pandas.DataFrame
        As `Layer.changes`.
    """
    place = pd.Series(range(len(condition)), condition["tower_id"])
    found = changes.assign(tower=changes["tower_id"].map(place)).reindex(
        columns=["tower", "month", "kind", "value", "low", "high", "date"]
    )
    found = found[found["tower"].notna()].astype({"tower": int, "kind": int})
    return found.assign(month=found["month"].fillna(0).astype(int)).sort_values(
        ["tower", "month"], kind="stable"
    )


def round_rows(*tables):
    """Round numbers of a logarithmic axis that holds all positive values.

    Parameters
    ----------
    *tables : pandas.DataFrame
        Numbers, blank where there are none.

    Returns
    -------
    dict of float to str
    """
    numbers = np.concatenate([table.to_numpy("float64").ravel() for table in tables])
    numbers = numbers[np.isfinite(numbers) & (numbers > 0)]
    low, high = (numbers.min() / 1.2, numbers.max() * 1.2) if len(numbers) else (1.0, 100.0)
    found = layout.round_numbers(low, high)
    low, high = (low, high) if len(found) > 1 else (low / 10, high * 10)
    return {float(number): plain(number) for number in layout.round_numbers(low, high)}


PLAN_COLUMNS = ("plan_year", "year")  # of the priority list or the condition, where a plan is made
YEAR_MARKS = ("triangle", "square", "diamond", "hex", "inverted_triangle", "circle")


def trip_outs(study):
    """Expected lightning trip-outs.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Layer, or (str, str)
        Name and reason where no rate is known.
    """
    towers, name = study.outages.towers, "Lightning trip-outs"
    rate = towers["trip_outs_per_year"].astype("float64")
    if rate.isna().all():
        return name, " ".join(study.outages.off) or "No trip-out rate is known."
    relative = rate / rate.mean() if rate.mean() > 0 else rate * 0
    kind = np.where(rate.isna(), 0, 1 + np.searchsorted([0.5, 1.0, 2.0], relative.fillna(0), side="right"))
    looks = (
        Look("no rate: footing or settings not known", "circle_x", "", 0.9),
        by_share("below half the mean of the line", "circle", 0.08, 1.0),
        by_share("half the mean to the mean", "square", 0.35, 1.1),
        by_share("once to twice the mean", "diamond", 0.65, 1.5),
        by_share("twice the mean and more", "triangle", 0.95, 1.6),
    )
    changes = pd.DataFrame({"tower_id": towers["tower_id"], "kind": kind, "value": rate})
    changes = changes.assign(low=towers["trip_outs_low"], high=towers["trip_outs_high"])
    return Layer(
        key="trip-outs",
        name=name,
        meaning="Trip-outs a year: how often lightning at this tower and half the spans beside it is expected to "
        "flash back over the insulators and open the breakers. Classes: against the mean of the towers, "
        f"{plain(rate.mean())} a year. Bar: band of what was read and set. The method alone leaves the "
        "absolute rate uncertain by a factor of 2 to 5; the order of the towers is far better known.",
        axis="Trip-outs [a year]",
        unit="a year",
        looks=looks,
        changes=placed(changes, study.condition),
        rows=round_rows(changes[["value", "low", "high"]]),
        log=True,
    )


def plan(study):
    """Year of the plan in which a tower is treated.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Layer, or (str, str)
        Name and reason where there is no plan.
    """
    years = plan_year(study)
    if years is None or years.isna().all():
        return "Plan year", "No plan has been made for this line and month."
    some = sorted(years.dropna().unique())
    marks = [YEAR_MARKS[min(place, len(YEAR_MARKS) - 1)] for place in range(len(some))]
    shades = np.linspace(0.95, 0.25, len(some)) if len(some) > 1 else [0.95]
    words = [f"year {year:.0f}" for year in some]
    looks = [by_share(word, mark, shade, 1.4) for word, mark, shade in zip(words, marks, shades, strict=True)]
    kind = years.map({year: len(some) - place for place, year in enumerate(some)}).fillna(0).astype(int)
    changes = pd.DataFrame(
        {"tower_id": years.index, "kind": kind.to_numpy(), "value": years.to_numpy("float64")}
    )
    return Layer(
        key="plan",
        name="Plan year",
        meaning="Plan year: the year of the plan in which the tower is to be treated; 1 is the first.",
        axis="Plan year",
        unit="",
        looks=(Look("no work planned", "circle", "", 0.8), *reversed(looks)),
        changes=placed(changes, study.condition),
        rows={float(year): f"{year:.0f}" for year in some},
    )


def plan_year(study):
    """Plan year of each tower, by tower_id.

    Parameters
    ----------
    study : Study

    Returns
    -------
    pandas.Series of float, or None
    """
    for table in (study.priority, study.condition):
        for name in PLAN_COLUMNS:
            if name in table:
                return pd.to_numeric(table.set_index("tower_id")[name], errors="coerce").astype("float64")
    return None


def suspicion(study):
    """What the readings say of bonds and of the shield wires in the spans.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Layer, or (str, str)
        Name and reason where the line could not be judged as a network.
    """
    towers, name = study.network.towers, "Bonds and spans"
    scan = study.network.spans["span_scan"] if len(study.network.spans) else pd.Series(dtype="str")
    if towers["bond_state"].isna().all() and towers["bond_scan"].isna().all() and scan.isna().all():
        return name, " ".join(study.network.off) or "Bonds and spans were not judged."
    state, scanned = towers["bond_state"], towers["bond_scan"] == "suspected"
    kind = np.select([state == "open suspected", scanned, state == "worn", state == "sound"], [4, 3, 2, 1], 0)
    looks = (
        Look("bond not known", "circle_x", "", 0.9),
        by_share("bond reads sound", "circle", 0.08, 1.0),
        by_share("bond reads worn", "square", 0.5),
        by_share("open bond suspected by the scan of the line", "diamond", 0.75, 1.5),
        by_share("open bond suspected by its own reading", "triangle", 0.95, 1.6),
    )
    changes = pd.DataFrame({"tower_id": towers["tower_id"], "kind": kind, "value": kind.astype("float64")})
    changes["value"] = changes["value"].where(changes["kind"] > 0)
    return Layer(
        key="suspicion",
        name=name,
        meaning="Bond: the joint between a tower and the shield wire. Span: the stretch of shield wire from one tower "
        "to the next; a star on a thick dashed span means that the readings fit a broken wire there better than none. A "
        "suspicion asks for an inspection; it proves nothing.",
        axis="Bond and span",
        unit="",
        looks=looks,
        changes=placed(changes, study.condition),
        rows={
            1.0: "sound",
            2.0: "worn",
            3.0: "suspected\nby scan",
            4.0: "suspected\nby reading",
            5.0: "span\nsuspected",
        },
    )


def layers(study):
    """All layers that the study has something to say of, and why the others are missing.

    Parameters
    ----------
    study : Study

    Returns
    -------
    found : list of Layer
    missing : dict of str to str
        Name of a layer to the reason.
    """
    visits, condition = study.grades.visits, study.condition
    footings = history.footings(visits, condition, study.line.seasons, study.month)
    verdicts = history.verdicts(visits, footings, study.month)
    found = [impedance(footings, condition), gap(visits, study)]
    found += [trip_outs(study), plan(study), verdict(verdicts, condition)]
    found.append(suspicion(study))
    missing = {layer[0]: layer[1] for layer in found if isinstance(layer, tuple)}
    return [layer for layer in found if isinstance(layer, Layer)], missing


def impedance(changes, condition):
    """Footing impedance against target and limit.

    Parameters
    ----------
    changes : pandas.DataFrame
        As `explorer_history.footings` gives it.
    condition : pandas.DataFrame
        One row a tower, in route order.

    Returns
    -------
    Layer
    """
    words = {
        name: f", up to {plain(ohm[0])} Ω" if len(ohm := condition[column].dropna().unique()) == 1 else ""
        for name, column in (("good", "target_ohm"), ("acceptable", "limit_ohm"))
    }
    looks = (
        NOT_TESTED,
        class_look("good", "circle", "good" + words["good"]),
        class_look("acceptable", "square", "acceptable" + words["acceptable"]),
        Look("lower bound only: at least this", "diamond_dot", to_hex(COLOURS(0.5)), 1.5, True),
        class_look("above limit", "triangle"),
        Look("above limit, lower bound: at least this", "triangle_dot", to_hex(COLOURS(0.95)), 1.7, True),
    )
    towers = condition.set_index("tower_id")
    target, limit = (
        changes["tower_id"].map(towers[name]).astype("float64") for name in ("target_ohm", "limit_ohm")
    )
    value, bounded = changes["value"], changes["bounded"]
    classes = impedance_class(value.mask(bounded), value.where(bounded), target, limit, by_lower_limit=True)
    kind = [CLASSES.index(name) for name in classes]  # in the order of the looks
    return Layer(
        key="impedance",
        name="Footing impedance",
        meaning="Footing impedance [Ω, ohm]: what the tower's own footing sets against a current into the earth, "
        "without the help of the shield wires. The newest usable reading of the footing alone stands. A dot in "
        "the mark: only a lower bound is known, read with the shield wires in parallel or beyond the range. "
        "Bar: interval that instrument and season leave open. Target and limit are those of today's rule.",
        axis="Footing impedance [Ω]",
        unit="Ω",
        looks=looks,
        changes=placed(changes.assign(kind=kind), condition),
        rows=round_rows(changes[["value", "low", "high"]], condition[["target_ohm", "limit_ohm"]]),
        log=True,
        dated=True,
        steps=tuple((name, condition[f"{name}_ohm"].to_numpy("float64")) for name in ("target", "limit")),
    )


def gap(visits, study):
    """Gap over the arithmetic sum of the leg currents.

    Parameters
    ----------
    visits : pandas.DataFrame
        With their verdicts.
    study : Study

    Returns
    -------
    Layer
    """
    changes = history.gaps(visits, study.currents, study.month)
    changes = changes[changes["value"].notna()]
    starts = [start for start, _ in style.BANDS.values()][1:]
    ringed = changes["tower_id"].map(study.condition.set_index("tower_id")["ring"]).eq(True).fillna(False)
    kind = np.where(ringed.astype(bool), 1, 1 + np.searchsorted(starts, changes["value"], side="right"))
    shapes = ("inverted_triangle", "circle", "square", "triangle")
    bands = list(style.BANDS.items())[1:]
    looks = (
        Look("not measured", "circle_x", "", 0.9),
        Look("ring joins the legs: says nothing of the bond", "hex", "#b3b3b3", 1.2),
        *(
            Look(f"fraction {name}", shape, to_hex(mark.colour), mark.size)
            for shape, (name, (_, mark)) in zip(shapes, bands, strict=True)
        ),
    )
    least = float(np.nanmin([changes["value"].min(), 0.0]))
    return Layer(
        key="gap",
        name="Leakage gap",
        meaning="Gap fraction: the gap over the arithmetic sum of the leg currents, a number without unit. "
        f"{tower_marks.GAP_MEANING[0].upper()}{tower_marks.GAP_MEANING[1:]} Leakage currents are read in service, mA. The "
        "bands are there to tell marks apart; they are no limits. Bar: down to the low end of the fraction.",
        axis=tower_marks.GAP_FRACTION,
        unit="of the sum",
        looks=looks,
        changes=placed(changes.assign(kind=kind), study.condition),
        rows={
            round(number, 1): plain(round(number, 1))
            for number in np.arange(np.floor(5 * least) / 5, 1.01, 0.2)
        },
        dated=True,
    )


def verdict(changes, condition):
    """Whether the reading that stands can be trusted.

    Parameters
    ----------
    changes : pandas.DataFrame
        As `explorer_history.verdicts` gives it.
    condition : pandas.DataFrame
        One row a tower, in route order.

    Returns
    -------
    Layer
    """
    looks = (
        NOT_TESTED,
        by_share("usable", "circle", 0.08, 1.0),
        by_share("usable with caution", "square", 0.5),
        by_share("not usable", "triangle", 0.95, 1.6),
    )
    kind = changes["verdict"].map({look.label: place for place, look in enumerate(looks)})
    changes = changes.assign(kind=kind, value=kind.astype("float64"), low=np.nan, high=np.nan)
    return Layer(
        key="verdict",
        name="Verdict on the reading",
        meaning="Verdict: whether the reading that stands can be trusted, by the quality rules that are applied to "
        "every visit. Not usable: the tower was visited, and no reading of its footing passed.",
        axis="Verdict",
        unit="",
        looks=looks,
        changes=placed(changes, condition),
        rows={1.0: "usable", 2.0: "usable with\ncaution", 3.0: "not usable"},
        dated=True,
    )

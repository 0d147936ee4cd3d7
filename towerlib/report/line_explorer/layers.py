"""Layers of the explorer: classes, values and changes of all towers, one layer per question.

A layer holds the history of a figure, so the page can go back month by month. Classes, colours and markers come from
`towerlib.report.style`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.condition import CLASSES, impedance_class
from towerlib.report import layout, style, tower_marks
from towerlib.report.line_explorer import history
from towerlib.text import plain

if TYPE_CHECKING:
    from towerlib.assessment import Study


@dataclass(frozen=True)
class Layer:
    """One thing to show of all towers.

    `key`, `name`, `meaning`: Name in the page, name in the list of layers, and meaning; `axis`, `unit`: Title of
    the axis of the profile, and the unit behind a value; `looks`: Classes; the last drawn on top; `changes`: tower,
    month (months since the year 0), kind (place in `looks`), value, low, high; a row applies until the next of its
    tower; `rows`: Texts at the axis of the profile; `log`, `dated`: Whether the axis is logarithmic, and whether
    the layer has a history; `steps`: Lines along the route: target, limit.
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


def placed(changes: pd.DataFrame, condition: pd.DataFrame) -> pd.DataFrame:
    """Changes with the place of the tower along the route; those without a month apply from the first on.

    As `Layer.changes`. `changes`: tower_id, kind, value and what else a layer has.
    """
    place = cast("Any", pd.Series(range(len(condition)), condition["tower_id"]))
    found = changes.assign(tower=changes["tower_id"].map(place)).reindex(
        columns=["tower", "month", "kind", "value", "low", "high", "date"]
    )
    found = found[found["tower"].notna()].astype({"tower": int, "kind": int})
    return found.assign(month=cast("Any", found["month"]).fillna(0).astype(int)).sort_values(
        ["tower", "month"], kind="stable"
    )


def round_rows(*tables: pd.DataFrame) -> dict[float, str]:
    """Round numbers of a logarithmic axis that holds all positive values.

    `tables`: Numbers, blank where there are none.
    """
    numbers = np.concatenate([table.to_numpy("float64").ravel() for table in tables])
    numbers = numbers[np.isfinite(numbers) & (numbers > 0)]
    low, high = (numbers.min() / 1.2, numbers.max() * 1.2) if len(numbers) else (1.0, 100.0)
    found = layout.round_numbers(low, high)
    low, high = (low, high) if len(found) > 1 else (low / 10, high * 10)
    return {float(number): plain(number) for number in layout.round_numbers(low, high)}


PLAN_COLUMNS = ("plan_year", "year")  # of the priority list or the condition, where a plan is made


def trip_outs(study: Study) -> Layer | tuple[str, str]:
    """Expected lightning trip-outs.

    Name and reason where no rate is known.
    """
    towers, name = study.outages.towers, "Lightning trip-outs"
    rate = towers["trip_outs_per_year"].astype("float64")
    if bool(rate.isna().all()):
        return name, " ".join(study.outages.off) or "No trip-out rate is known."
    mean = float(np.nanmean(rate.to_numpy("float64")))
    relative = rate / mean if mean > 0 else rate * 0
    starts = [start for start, _ in style.RATES.values()][1:]
    kind = np.searchsorted(starts, relative.fillna(0), side="right") * rate.notna()
    looks = tuple(look for _, look in style.RATES.values())
    changes = pd.DataFrame({"tower_id": towers["tower_id"], "kind": kind, "value": rate})
    changes = changes.assign(low=towers["trip_outs_low"], high=towers["trip_outs_high"])
    mean = float(rate.to_numpy("float64", na_value=np.nan)[rate.notna()].mean())
    return Layer(
        key="trip-outs",
        name=name,
        meaning="Expected lightning trip-outs a year at this tower and half the spans beside it. Classes compare with the "
        f"mean of the towers, {plain(mean)} a year. Bar: 80 % interval from readings and settings. The method adds "
        "a factor of 2 to 5 to the absolute rate; the order of the towers is far better known.",
        axis="Trip-outs [a year]",
        unit="a year",
        looks=looks,
        changes=placed(changes, study.condition),
        rows=round_rows(cast("pd.DataFrame", changes[["value", "low", "high"]])),
        log=True,
    )


def plan(study: Study) -> Layer | tuple[str, str]:
    """Year of the plan in which a tower is treated.

    Name and reason where there is no plan.
    """
    years = plan_year(study)
    if years is None or years.isna().all():
        return "Plan year", "No plan has been made for this line and month."
    some = [int(year) for year in sorted(years.dropna().unique())]
    terms = study.budget.constraints
    every = style.years(max(some[-1], terms.years if terms is not None else 0))
    looks = [every[year] for year in some]
    kind = years.map({year: len(some) - place for place, year in enumerate(some)}).fillna(0).astype(int)
    changes = pd.DataFrame(
        {"tower_id": years.index, "kind": kind.to_numpy(), "value": years.to_numpy("float64")}
    )
    return Layer(
        key="plan",
        name="Plan year",
        meaning="Year of the plan in which the tower is treated; 1 is the first.",
        axis="Plan year",
        unit="",
        looks=(style.NO_WORK, *reversed(looks)),
        changes=placed(changes, study.condition),
        rows={float(year): f"{year:.0f}" for year in some},
    )


def plan_year(study: Study) -> pd.Series | None:
    """Plan year of each tower, by tower_id."""
    for table in (study.priority, study.condition):
        for name in PLAN_COLUMNS:
            if name in table:
                years: Any = pd.to_numeric(table.set_index("tower_id")[name], errors="coerce")
                return years.astype("float64")
    return None


def suspicion(study: Study) -> Layer | tuple[str, str]:
    """Suspected bonds and suspected shield wires of spans.

    Name and reason where the line could not be judged as a network.
    """
    towers, name = study.network.towers, "Bonds and spans"
    scan = study.network.spans["span_scan"] if len(study.network.spans) else pd.Series(dtype="str")
    if all(bool(some.isna().all()) for some in (towers["bond_state"], towers["bond_scan"], scan)):
        return name, " ".join(study.network.off) or "Bonds and spans were not judged."
    state, scanned = towers["bond_state"], towers["bond_scan"] == "suspected"
    kind = np.select([state == "open suspected", scanned, state == "worn", state == "sound"], [4, 3, 2, 1], 0)
    changes = pd.DataFrame({"tower_id": towers["tower_id"], "kind": kind, "value": kind.astype("float64")})
    changes["value"] = changes["value"].where(changes["kind"] > 0)
    return Layer(
        key="suspicion",
        name=name,
        meaning="Bond: the joint between a tower and the shield wire. Star on a thick dashed span: the readings fit a broken "
        "shield wire there better than a sound one. A suspicion asks for an inspection; it is no proof.",
        axis="Bond and span",
        unit="",
        looks=tuple(style.BONDS.values()),
        changes=placed(changes, study.condition),
        rows={
            1.0: "sound",
            2.0: "worn",
            3.0: "suspected\nby scan",
            4.0: "suspected\nby reading",
            5.0: "span\nsuspected",
        },
    )


def layers(study: Study) -> tuple[list[Layer], dict[str, str]]:
    """All layers for which the study has data, and why the others are missing.

    `missing`: Name of a layer to the reason.
    """
    visits, condition = study.grades.visits, study.condition
    footings = history.footings(visits, condition, study.line.seasons, study.month)
    verdicts = history.verdicts(visits, footings, study.month)
    found: list[Layer | tuple[str, str]] = [impedance(footings, condition), gap(visits, study)]
    found += [trip_outs(study), plan(study), verdict(verdicts, condition)]
    found.append(suspicion(study))
    missing = {layer[0]: layer[1] for layer in found if isinstance(layer, tuple)}
    return [layer for layer in found if isinstance(layer, Layer)], missing


def impedance(changes: pd.DataFrame, condition: pd.DataFrame) -> Layer:
    """Footing impedance against target and limit."""
    labels = tower_marks.class_labels(condition)
    looks = tuple(replace(look, label=labels[name]) for name, look in style.CLASSES.items())
    towers = condition.set_index("tower_id")
    target, limit = (
        cast("Any", changes["tower_id"]).map(towers[name]).astype("float64")
        for name in ("target_ohm", "limit_ohm")
    )
    value, bounded = changes["value"], changes["bounded"]
    classes = impedance_class(value.mask(bounded), value.where(bounded), target, limit, by_lower_limit=True)
    kind = [CLASSES.index(name) for name in classes]  # in the order of the looks
    return Layer(
        key="impedance",
        name="Footing impedance",
        meaning="Impedance of the tower's own footing, without the shield wires [Ω]. The newest usable reading of the footing "
        "alone is in force. Dot in the mark: lower limit only, read with the shield wires in parallel or beyond the range. "
        "Bar: interval from instrument and season. Target and limit follow today's rule.",
        axis="Footing impedance [Ω]",
        unit="Ω",
        looks=looks,
        changes=placed(changes.assign(kind=kind), condition),
        rows=round_rows(
            cast("pd.DataFrame", changes[["value", "low", "high"]]),
            cast("pd.DataFrame", condition[["target_ohm", "limit_ohm"]]),
        ),
        log=True,
        dated=True,
        steps=tuple((name, condition[f"{name}_ohm"].to_numpy("float64")) for name in ("target", "limit")),
    )


def gap(visits: pd.DataFrame, study: Study) -> Layer:
    """Gap over the arithmetic sum of the leg currents."""
    changes = history.gaps(visits, study.currents, study.month)
    changes = changes[changes["value"].notna()]
    starts = [start for start, _ in style.GAPS.values()][1:]
    ringed = (
        cast("Any", changes["tower_id"])
        .map(cast("Any", study.condition.set_index("tower_id")["ring"]))
        .eq(True)
        .fillna(False)
    )
    kind = np.where(ringed.astype(bool), 1, 1 + np.searchsorted(starts, changes["value"], side="right"))
    missing, *graded = (look for _, look in style.GAPS.values())
    looks = (missing, style.RING, *graded)
    least = float(np.nanmin(cast("Any", [changes["value"].min(), 0.0])))
    return Layer(
        key="gap",
        name="Leakage gap",
        meaning="Gap fraction: the gap over the arithmetic sum of the leg currents, in service. "
        f"{tower_marks.GAP_MEANING[0].upper()}{tower_marks.GAP_MEANING[1:]} The classes are no limits. Bar: down to the low "
        "end of the fraction.",
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


def verdict(changes: pd.DataFrame, condition: pd.DataFrame) -> Layer:
    """Whether the reading in force can be trusted."""
    kind = changes["verdict"].map(cast("Any", {name: place for place, name in enumerate(style.VERDICTS)}))
    changes = changes.assign(kind=kind, value=kind.astype("float64"), low=np.nan, high=np.nan)
    return Layer(
        key="verdict",
        name="Verdict on the reading",
        meaning="Whether the reading in force can be trusted, by the quality rules that apply to every visit. Not usable: the "
        "tower was visited, and no reading of its footing passed.",
        axis="Verdict",
        unit="",
        looks=tuple(style.VERDICTS.values()),
        changes=placed(changes, condition),
        rows={1.0: "usable", 2.0: "usable with\ncaution", 3.0: "not usable"},
        dated=True,
    )

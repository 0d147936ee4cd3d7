"""Layers that stand for the month of the study alone: trip-outs, plan, suspicion of bonds and spans."""

import numpy as np
import pandas as pd

from towerlib.publish.explorer_marks import Layer, Look, by_share, placed, round_rows
from towerlib.publish.lettering import plain

PLAN_COLUMNS = ("plan_year", "year")  # of the priority list or the condition, where a plan is made
YEAR_MARKS = ("triangle", "square", "diamond", "hex", "inverted_triangle", "circle")


def trip_outs(study):
    """Expected lightning trip-outs.

    Parameters
    ----------
    study : Assessment

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
    study : Assessment

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
    study : Assessment

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
    study : Assessment

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

"""The grade of a line's test data, A to D, by a rule that is printed beside it."""

import math
from dataclasses import dataclass

import numpy as np

from towerlib import changes as months_apart
from towerlib import values
from towerlib.changes.differences import NEWS
from towerlib.plan import order_rule
from towerlib.plan.priority import SHIELD_WIRE
from towerlib.report import condition_words, outage_charts
from towerlib.text import (
    BLANK,
    counted,
    first_lines,
    interval,
    money,
    named,
    percent,
    sentence,
    significant,
)

GRADES = "ABCD"
RULE = (
    "The grade is that of the weakest of these figures: A means that the ranks of this page can be worked from, "
    "B that single towers lack readings, C that many do, D that tests come first. The steps are our own "
    "judgement; no standard grades such data."
)


@dataclass(frozen=True)
class Measure:
    """One figure of the grade.

    Attributes
    ----------
    what : str
        What is counted, in words.
    percent : float
        Figure, the higher the better [%]; NaN where there is nothing to count.
    steps : tuple of float
        Least percent of A, of B, of C.
    """

    what: str
    percent: float
    steps: tuple

    @property
    def grade(self):
        """Letter of this figure; D where there is nothing to count."""
        reached = [letter for letter, step in zip(GRADES, self.steps, strict=False) if self.percent >= step]
        return reached[0] if reached else GRADES[-1]

    @property
    def told(self):
        """The figure as it is written."""
        return f"{self.percent:.0f}{BLANK}%" if self.percent == self.percent else "nothing to count"

    @property
    def needed(self):
        """What A, B and C ask for, in percent."""
        return ", ".join(f"{letter}{BLANK}{step:g}" for letter, step in zip(GRADES, self.steps, strict=False))


def measures(study):
    """The figures that the grade is made of.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of Measure

    Notes
    -----
    Judgement: a ranking is as good as its readings. Towers, not visits, are counted, so a tower that was tested
    often does not make up for one that never was.
    """
    towers, counts = study.condition, study.records.counts
    read = towers["footing_ohm"].notna()
    late = towers["tower_id"].isin(study.retest["tower_id"])
    clean = towers.loc[read, "verdict"].eq("usable")
    sure = towers.loc[read, "rank_confidence"].isin(["sure", "likely"])
    rows, used = counts["rows_in"].sum(), counts["used"].sum()
    return [
        Measure("towers with a usable reading of the footing alone", _percent(read), (95, 85, 70)),
        Measure("towers that are not due for a test", _percent(~late), (95, 80, 60)),
        Measure(
            "readings in use that meet every quality rule without a caution", _percent(clean), (85, 70, 50)
        ),
        Measure(
            "read towers of which it is sure or likely whether they belong to the worst tenth",
            _percent(sure),
            (90, 80, 60),
        ),
        Measure(
            "rows handed in that could be used",
            100 * used / rows if rows else float("nan"),
            (99, 97, 90),
        ),
    ]


def _percent(yes):
    """Share of what is true [%]; NaN of nothing."""
    return 100 * float(yes.astype(bool).mean()) if len(yes) else float("nan")


def overall(parts):
    """Grade of the data: that of the weakest figure.

    Parameters
    ----------
    parts : list of Measure

    Returns
    -------
    str

    Examples
    --------
    >>> overall([Measure("a", 96.0, (95, 85, 70)), Measure("b", 81.0, (95, 80, 60))])
    'B'
    """
    return max(part.grade for part in parts)


HELD = {  # what the band of each figure of the comparison holds
    "Modelled": "80 % band: reading, season, soil, insulation, flash density",
    "Observed, lightning": "95 % interval of the count (Garwood)",
    "Calibrated": "95 % interval, model and record together",
}
EMPTY = "No trip-out rate of this line can be told, modelled or observed."


def headline(study):
    """What the earthing of a line costs a year, how sure that is, and what its worst tenth could save.

    Parameters
    ----------
    study : Study

    Returns
    -------
    str
        One sentence, or the sentences that say why there is none.
    """
    told = study.outages.line
    parts = [part for part in (_cost(told, study.line.plan), _saving(told)) if part]
    if "whole_line_per_year" in told:
        return sentence("; ".join(parts))
    why = study.outages.off[0] if study.outages.off else "no trip-out rate."
    return " ".join(
        ["What the earthing of this line costs a year cannot be told.", why, *map(sentence, parts)]
    )


def _cost(told, plan):
    """The rate and the money of the footings as they stand."""
    if "whole_line_per_year" not in told:
        return ""
    known = "calibrated_per_year" in told
    rate, low, high = (
        told[f"{'calibrated' if known else 'whole_line'}_{end}"] for end in ("per_year", "low", "high")
    )
    text = f"With its footings as they stand, this line is expected to trip by lightning {_times(rate, low, high)}"
    if known:
        record = counted(told["observed_trip_outs"], "lightning trip-out")
        text += f", 95{BLANK}% interval of the model held against {record} in {significant(told['observed_years'])} years"
    else:
        text += (
            f", 80{BLANK}% band by what the records leave open; the method itself may be off by a factor of "
            f"{significant(told['model_factor'])} to either side, and no record holds it"
        )
    if plan.cost_per_trip_out:
        cost, least, most = (
            money(end * plan.cost_per_trip_out, plan.currency, digits=2) for end in (rate, low, high)
        )
        return (
            text
            + f"; at {money(plan.cost_per_trip_out, plan.currency, digits=2)} a trip-out that is {cost} a year ({least} to {most})"
        )
    return text + "; what a trip-out costs is not set ([plan] cost_per_trip_out), so no money can be told"


def _times(rate, low, high):
    """How often a year."""
    return interval(rate, low, high, "times a year")


def _saving(told):
    """What the worst tenth could save."""
    fraction, towers = told.get("avoided_worst_tenth_fraction", np.nan), told.get("worst_tenth_towers")
    if not towers or not math.isfinite(fraction):
        return ""
    text = (
        f"bringing the {counted(towers, 'tower')} where it pays most (a tenth) to target would avoid "
        f"{percent(fraction, 1)} of the modelled trip-outs"
    )
    if "avoided_worst_tenth_per_year" in told:
        ends = (told[f"avoided_worst_tenth_{end}"] for end in ("per_year", "low", "high"))
        text += f", {interval(*ends, 'a year')} by the model alone"
    return text


def problem(study):
    """The problem in figures.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of dict
        big (the figure), what (what it counts), more (its band, its basis).
    """
    towers, told = study.condition, study.outages.line
    return [
        _above(towers, study.route.length_m / 1000),
        _unread(towers),
        _observed(told),
        _expected(told),
        _bonds(towers),
        _touch(study),
    ]


def _figure(big, what, more):
    """One figure as the page takes it."""
    return {"big": big, "what": what, "more": more}


def _above(towers, length_km):
    """Towers above their limit."""
    above = towers["impedance_class"] == "above limit"
    only = int((above & towers["footing_ohm"].isna()).sum())
    judged = int(towers["footing_ohm"].notna().sum()) + only
    more = f"of {counted(judged, 'tower')} whose footing can be judged ({percent(above.sum(), judged)})"
    more += f"; {only} by a lower bound alone" if only else ""
    return _figure(
        counted(int(above.sum()), "tower"),
        "above their limit",
        f"{more}; {significant(length_km, 3)}{BLANK}km of line",
    )


def _unread(towers):
    """Towers of which nothing certain is known."""
    unread, bound = (
        int(towers["footing_ohm"].isna().sum()),
        int((towers["impedance_class"] == "lower bound only").sum()),
    )
    more = f"of {counted(len(towers), 'tower')}"
    more += f"; of {bound} a lower bound is known that lies within the limit" if bound else ""
    return _figure(counted(unread, "tower"), "without a usable reading of the footing alone", more)


def _observed(told):
    """Trip-outs that happened."""
    what = "lightning trip-outs that happened"
    if not told.get("observed_years"):
        return _figure("not known", what, "no record over a stretch of time")
    big = f"{told['observed_trip_outs']} in {significant(told['observed_years'])}{BLANK}years"
    rate = interval(*(told[f"observed_{end}"] for end in ("per_year", "low", "high")), "a year")
    parts = [rate]
    if math.isfinite(told["observed_per_100_km_year"]):
        ends = (told[f"observed_per_100_km_{end}"] for end in ("year", "low", "high"))
        parts.append(interval(*ends, "per 100 km and year"))
    return _figure(big, what, f"{'; '.join(parts)}; 95{BLANK}% intervals")


def _expected(told):
    """Trip-outs that the model expects."""
    what = "lightning trip-outs expected by the model, footings as they stand"
    if "whole_line_per_year" not in told:
        return _figure("not known", what, "see what is off")
    more = (
        f"80{BLANK}% band {significant(told['whole_line_low'])} to {significant(told['whole_line_high'])}; "
        "apart from it a factor of "
        f"{significant(told['model_factor'])} to either side for the method"
    )
    return _figure(f"{significant(told['whole_line_per_year'])} a year", what, more)


def _bonds(towers):
    """Bonds and leads that want an eye."""
    bonds = towers["suspected_cause"].isin(SHIELD_WIRE) | towers["bond_seen"].isin(["damaged", "missing"])
    leads = int((towers["leads_missing"] > 0).fillna(False).sum())
    more = (
        "suspected from readings, or seen broken; a suspicion is no fault. Earthing leads seen missing at "
        f"{counted(leads, 'tower')}"
    )
    return _figure(counted(int(bonds.sum()), "tower"), "with a shield-wire bond to inspect", more)


def _touch(study):
    """What the touch screen says."""
    screen, what = study.condition.get("safety_screen"), "above the touch screen"
    if screen is None or not screen.isin(["below", "above", "cannot tell"]).any():
        return _figure("not screened", what, "see what is off")
    number, often = screen.value_counts(), int((study.priority["queue"] == "safety").sum())
    more = f"people are often at {often} of them; {number.get('cannot tell', 0)} cannot be told. A triage, no certificate"
    return _figure(counted(int(number.get("above", 0)), "tower"), what, more)


def covered(study):
    """How far tests have reached.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of (str, str, str)
        What, how many towers, which share.
    """
    row = months_apart.coverage(study, [study.month]).iloc[0]
    words = {
        "towers": "on the line",
        "tested": "tested at least once, by any visit",
        "usable": "usable: a reading of the footing alone stands",
        "overdue": "overdue: the reading that stands is older than its rule allows",
        "never_tested": "never tested",
    }
    return [(text, str(row[name]), percent(row[name], row["towers"])) for name, text in words.items()]


def trip_outs(study):
    """The rates side by side.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of dict
        name, rate, ends, held (what the band holds); empty where there is none.
    """
    rows = []
    for row in outage_charts.comparison(study.outages).itertuples():
        if row.name.startswith("…") and not study.outages.line.get("observed_in_storm"):
            continue  # no trip-out of unknown cause in a storm: the row above says it all
        known = math.isfinite(row.low) and math.isfinite(row.high)
        ends = f"{significant(row.low)} to {significant(row.high)}" if known else "none"
        rows.append(
            {
                "name": row.name,
                "rate": significant(row.middle),
                "ends": ends,
                "held": HELD.get(row.name, ""),
            }
        )
        if math.isfinite(row.far_low):
            method = (
                f"method factor of {significant(study.outages.line['model_factor'])} on top of the 80 % band"
            )
            far = f"{significant(row.far_low)} to {significant(row.far_high)}"
            rows.append(
                {
                    "name": "… with the method",
                    "rate": significant(row.middle),
                    "ends": far,
                    "held": method,
                }
            )
    return rows


def changed(found):
    """What changed since the last month.

    Parameters
    ----------
    found : Changes or None

    Returns
    -------
    dict
        rows (kind, words, count, new, towers), none (kinds without a tower), remarks.
    """
    if found is None:
        return {"rows": [], "none": "", "remarks": ["This month was not compared with another one."]}
    told, rows, table = months_apart.summary(found), [], found.table
    for row in told[told["count"] > 0].itertuples():
        mine = table[table["kind"] == row.kind]
        news = mine[mine["since"] == NEWS]
        rows.append(
            {
                "kind": row.kind,
                "words": months_apart.KINDS[row.kind],
                "count": row.count,
                "new": row.new_count if found.against else "–",
                "towers": named((news if len(news) else mine)["tower_id"]),
            }
        )
    return {
        "rows": rows,
        "none": "; ".join(told.loc[told["count"] == 0, "kind"]),
        "remarks": list(found.remarks),
    }


MOST = 4  # assumptions told in full
TRIP_OUTS = (
    "flashes collected by Eriksson (IEEE Std 1243-1997), overvoltage and flashover of the insulation as in CIGRE "
    "Technical Brochure 63 (1991), from memory; intervals of counts by Garwood (1936)"
)


def rules(study):
    """The rules that this page was made by, with their sources.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of (str, str)
        Topic, rule and source.
    """
    line = study.line
    listed = [
        ("Limits", "; ".join(dict.fromkeys(study.condition["limit_rule"].dropna())) + _own_limits(study)),
        ("Order of the list", order_rule(line.plan)),
        (
            "Retest",
            f"after {significant(line.retest.normal_years)} years, {significant(line.retest.close_years)} "
            "above the limit or where "
            f"people often are; default from {_source('retest_normal_years')}",
        ),
        ("Interval of a reading", f"instrument and season; season by {_source('season_ratio_high')}"),
        (
            "Gap and its uncertainty",
            "own indicator, law of propagation of JCGM 100:2008; that a wide gap hints at a bond is reasoned "
            "from a model",
        ),
        ("Trip-outs", TRIP_OUTS),
    ]
    if not any("touch-voltage screening" in why.lower() for why in study.network.off):
        listed.append(("Touch screen", f"{line.safety.standard}; touched share of the rise as assumed there"))
    if study.budget.terms is not None:
        listed.append(
            (
                "Plan",
                f"trip-outs avoided count over {significant(line.plan.horizon_years)} years, later ones "
                f"{100 * line.plan.discount_rate:.1f} % a year less (default: {_source('plan_discount_rate')})",
            )
        )
    return listed


def _own_limits(study):
    """Where the rules of limits come from, unless the settings give the figures."""
    used = " ".join(study.condition["limit_rule"].dropna())
    sources = dict.fromkeys(
        f"{rule.source}{f' ({rule.year})' if rule.year else ''}, {rule.status}"
        for rule in study.records.limit_rules
        if rule.source and rule.source not in used
    )
    return f". Source: {'; '.join(sources)}" if sources and "set in line.toml" not in used else ""


def _source(name):
    """Source of a value and how far it is confirmed."""
    value = values.table()[name]
    return f"{value.source.rstrip('.')} [{value.status}]"


def uncertain(study):
    """What is uncertain, most telling first.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of str
    """
    towers = study.condition
    sure = towers["rank_confidence"].value_counts()
    unsure = towers.loc[towers["rank_confidence"] == "open"].sort_values("impedance_rank")["tower_id"]
    parts = [
        f"Which towers are the worst tenth by footing: {counted(int(sure.get('sure', 0)), 'tower')} surely in or out, "
        f"{sure.get('likely', 0)} likely, {sure.get('open', 0)} open"
        + (f" ({named(unsure)})." if len(unsure) else "."),
        *study.outages.remarks,
    ]
    if not study.network.towers["bond_scan"].eq("").all():
        parts.append(condition_words.ambient_on_line(study.network))
    if study.condition["gap_ma"].notna().any():
        parts.append(
            "Gap: the arithmetic sum of the leg currents less their vector total. A wide one asks for an inspection of bond "
            "and coils; in service a narrow one is no proof of a good bond."
        )
    return _each_once(parts)


def assumed(study):
    """What was taken for granted.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of str
    """
    parts = _each_once(
        [*study.network.assumed, *study.outages.assumed, *study.treatments.assumed, *study.budget.assumed]
    )
    return first_lines(parts, MOST, "see the notebooks of this month.")


def off(study):
    """What is off and why.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of str
    """
    return _each_once([*study.network.off, *study.outages.off, *study.treatments.off, *study.budget.off])


def unusual(study):
    """What was seen of the records and the route: rows not used, doubtful places.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of str
    """
    counts = study.records.counts
    rows, rejected, repaired = (int(counts[name].sum()) for name in ("rows_in", "rejected", "repaired"))
    verdicts = study.grades.visits["verdict"].value_counts()
    parts = [
        f"{counted(rows, 'row')} read, {rejected} of them not used and {repaired} cells or rows repaired, each listed with "
        "its reason in the lists beside this page.",
        f"Visits: {verdicts.get('usable', 0)} usable, {verdicts.get('usable with caution', 0)} with caution, "
        f"{verdicts.get('not usable', 0)} not usable; what is not usable stays out of every figure here.",
    ]
    return parts + _each_once(study.route.remarks)


def _each_once(parts):
    """Sentences without their repetitions."""
    return list(dict.fromkeys(sentence(part) for part in parts if part))

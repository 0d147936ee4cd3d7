"""The first half of the page of a line: the one sentence, the problem in figures, coverage, trip-outs, changes."""

import math

import numpy as np

from towerlib import changes as months_apart
from towerlib.changes.rows import NEWS
from towerlib.plan.queues import SHIELD_WIRE
from towerlib.publish import outage_shares
from towerlib.publish.summary_words import BLANK, band, count, money, named, sentence, share, two

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
    study : Assessment

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
        record = count(told["observed_trip_outs"], "lightning trip-out")
        text += (
            f", 95{BLANK}% interval of the model held against {record} in {two(told['observed_years'])} years"
        )
    else:
        text += (
            f", 80{BLANK}% band by what the records leave open; the method itself may be off by a factor of "
            f"{two(told['model_factor'])} to either side, and no record holds it"
        )
    if plan.cost_per_trip_out:
        cost, least, most = (money(end * plan.cost_per_trip_out, plan.currency) for end in (rate, low, high))
        return (
            text
            + f"; at {money(plan.cost_per_trip_out, plan.currency)} a trip-out that is {cost} a year ({least} to {most})"
        )
    return text + "; what a trip-out costs is not set ([plan] cost_per_trip_out), so no money can be told"


def _times(rate, low, high):
    """How often a year."""
    return band(rate, low, high, "times a year")


def _saving(told):
    """What the worst tenth could save."""
    fraction, towers = told.get("avoided_worst_tenth_fraction", np.nan), told.get("worst_tenth_towers")
    if not towers or not math.isfinite(fraction):
        return ""
    text = (
        f"bringing the {count(towers, 'tower')} where it pays most (a tenth) to target would avoid "
        f"{share(fraction, 1)} of the modelled trip-outs"
    )
    if "avoided_worst_tenth_per_year" in told:
        ends = (told[f"avoided_worst_tenth_{end}"] for end in ("per_year", "low", "high"))
        text += f", {band(*ends, 'a year')} by the model alone"
    return text


def problem(study):
    """The problem in figures.

    Parameters
    ----------
    study : Assessment

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
    more = f"of {count(judged, 'tower')} whose footing can be judged ({share(above.sum(), judged)})"
    more += f"; {only} by a lower bound alone" if only else ""
    return _figure(
        count(int(above.sum()), "tower"), "above their limit", f"{more}; {two(length_km, 3)}{BLANK}km of line"
    )


def _unread(towers):
    """Towers of which nothing certain is known."""
    unread, bound = (
        int(towers["footing_ohm"].isna().sum()),
        int((towers["impedance_class"] == "lower bound only").sum()),
    )
    more = f"of {count(len(towers), 'tower')}"
    more += f"; of {bound} a lower bound is known that lies within the limit" if bound else ""
    return _figure(count(unread, "tower"), "without a usable reading of the footing alone", more)


def _observed(told):
    """Trip-outs that happened."""
    what = "lightning trip-outs that happened"
    if not told.get("observed_years"):
        return _figure("not known", what, "no record over a stretch of time")
    big = f"{told['observed_trip_outs']} in {two(told['observed_years'])}{BLANK}years"
    rate = band(*(told[f"observed_{end}"] for end in ("per_year", "low", "high")), "a year")
    parts = [rate]
    if math.isfinite(told["observed_per_100_km_year"]):
        ends = (told[f"observed_per_100_km_{end}"] for end in ("year", "low", "high"))
        parts.append(band(*ends, "per 100 km and year"))
    return _figure(big, what, f"{'; '.join(parts)}; 95{BLANK}% intervals")


def _expected(told):
    """Trip-outs that the model expects."""
    what = "lightning trip-outs expected by the model, footings as they stand"
    if "whole_line_per_year" not in told:
        return _figure("not known", what, "see what is off")
    more = (
        f"80{BLANK}% band {two(told['whole_line_low'])} to {two(told['whole_line_high'])}; apart from it a factor of "
        f"{two(told['model_factor'])} to either side for the method"
    )
    return _figure(f"{two(told['whole_line_per_year'])} a year", what, more)


def _bonds(towers):
    """Bonds and leads that want an eye."""
    bonds = towers["suspected_cause"].isin(SHIELD_WIRE) | towers["bond_seen"].isin(["damaged", "missing"])
    leads = int((towers["leads_missing"] > 0).fillna(False).sum())
    more = (
        "suspected from readings, or seen broken; a suspicion is no fault. Earthing leads seen missing at "
        f"{count(leads, 'tower')}"
    )
    return _figure(count(int(bonds.sum()), "tower"), "with a shield-wire bond to inspect", more)


def _touch(study):
    """What the touch screen says."""
    screen, what = study.condition.get("safety_screen"), "above the touch screen"
    if screen is None or not screen.isin(["below", "above", "cannot tell"]).any():
        return _figure("not screened", what, "see what is off")
    number, often = screen.value_counts(), int((study.priority["queue"] == "safety").sum())
    more = f"people are often at {often} of them; {number.get('cannot tell', 0)} cannot be told. A triage, no certificate"
    return _figure(count(int(number.get("above", 0)), "tower"), what, more)


def covered(study):
    """How far tests have reached.

    Parameters
    ----------
    study : Assessment

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
    return [(text, str(row[name]), share(row[name], row["towers"])) for name, text in words.items()]


def trip_outs(study):
    """The rates side by side.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    list of dict
        name, rate, ends, held (what the band holds); empty where there is none.
    """
    rows = []
    for row in outage_shares.comparison(study.outages).itertuples():
        if row.name.startswith("…") and not study.outages.line.get("observed_in_storm"):
            continue  # no trip-out of unknown cause in a storm: the row above says it all
        known = math.isfinite(row.low) and math.isfinite(row.high)
        ends = f"{two(row.low)} to {two(row.high)}" if known else "none"
        rows.append({"name": row.name, "rate": two(row.middle), "ends": ends, "held": HELD.get(row.name, "")})
        if math.isfinite(row.far_low):
            method = f"method factor of {two(study.outages.line['model_factor'])} on top of the 80 % band"
            far = f"{two(row.far_low)} to {two(row.far_high)}"
            rows.append({"name": "… with the method", "rate": two(row.middle), "ends": far, "held": method})
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

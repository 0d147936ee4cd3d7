"""One row a line: how large its problem is, its rank by trip-outs and by money, its safety counts; and the sums."""

import numpy as np
import pandas as pd

from towerlib.plan.queues import SHIELD_WIRE

ADD_UP = """
    length_km towers above_limit unread never_tested overdue trip_outs_per_year observed_trip_outs
    observed_per_year avoidable_per_year avoidable_low avoidable_high money_per_year money_low money_high
    safety_queue touch_above touch_cannot_tell leads_missing bonds_to_inspect
""".split()


def lines_table(lines):
    """The lines of a portfolio side by side.

    Parameters
    ----------
    lines : sequence of LineMonth

    Returns
    -------
    pandas.DataFrame
        One row a line, the one with most avoidable trip-outs first: line_id, title, folder; length_km; counts of
        towers, above_limit, unread (no usable reading of the footing alone), never_tested, overdue;
        trip_outs_per_year with trip_outs_low and trip_outs_high and `basis` ("calibrated", 95 % interval, or
        "model", 80 % band); observed_trip_outs, observed_years, observed_per_year; avoidable_per_year with its
        80 % band; money_per_year with its band, currency; rank_trip_outs, rank_money (blank where not known);
        safety_queue, touch_above, touch_cannot_tell, leads_missing, bonds_to_inspect.

    Notes
    -----
    Avoidable is what bringing every footing to its target would avoid by the model of the line, drawn towards
    its record by the calibration factor where there is one: rates of different lines compare no better than
    their models do, and the record is what they have in common. Its band is that of the model alone. Money is
    avoidable trip-outs times what a trip-out costs on that line; lines of different currencies have no rank.
    """
    rows = [_row(line) for line in lines]
    table = pd.DataFrame(rows)
    money = table["money_per_year"] * (1.0 if _one_currency(table) else np.nan)
    table = table.assign(rank_trip_outs=_ranks(table["avoidable_per_year"]), rank_money=_ranks(money))
    return table.sort_values(["rank_trip_outs", "line_id"], ignore_index=True)


def _one_currency(table):
    """Whether money of the lines can be compared."""
    return len(set(table["currency"])) == 1


def _ranks(amounts):
    """1 for the largest; blank where it is not known."""
    return amounts.rank(ascending=False, method="min").astype("Int64")


def factor(facts):
    """What the line's record makes of its model; 1 without a record.

    Parameters
    ----------
    facts : dict
        Of a `LineMonth`.

    Returns
    -------
    float
    """
    known = facts["calibration_factor"]
    return known if np.isfinite(known) else 1.0


def _row(line):
    """One line."""
    facts = line.facts
    by = "calibrated" if np.isfinite(facts["calibrated_per_year"]) else "whole_line"
    avoidable = {
        f"avoidable_{end}": factor(facts) * facts[name]
        for end, name in zip(
            ("per_year", "low", "high"),
            ("avoided_to_target_per_year", "avoided_low", "avoided_high"),
            strict=True,
        )
    }
    money = {
        f"money_{end}": avoidable[f"avoidable_{end}"] * facts["cost_per_trip_out"]
        for end in ("per_year", "low", "high")
    }
    return {
        "line_id": line.line_id,
        "title": facts["title"],
        "folder": line.folder,
        "length_km": facts["length_km"],
        **_counts(line),
        "trip_outs_per_year": facts[f"{by}_per_year"],
        "trip_outs_low": facts[f"{by}_low"],
        "trip_outs_high": facts[f"{by}_high"],
        "basis": "calibrated" if by == "calibrated" else "model",
        "observed_trip_outs": facts["observed_trip_outs"],
        "observed_years": facts["observed_years"],
        "observed_per_year": facts["observed_per_year"],
        **avoidable,
        **money,
        "currency": facts["currency"],
        **_safety(line),
    }


def _counts(line):
    """Towers of the line, and how far tests have reached."""
    towers, last = line.condition, line.coverage.iloc[-1]
    return {
        "towers": len(towers),
        "above_limit": int((towers["impedance_class"] == "above limit").sum()),
        "unread": int(towers["footing_ohm"].isna().sum()),
        "never_tested": int(last["never_tested"]),
        "overdue": int(last["overdue"]),
    }


def _safety(line):
    """What is kept apart from money."""
    towers = line.condition
    bonds = towers["suspected_cause"].isin(SHIELD_WIRE) | towers["bond_seen"].isin(["damaged", "missing"])
    return {
        "safety_queue": int((line.priority["queue"] == "safety").sum()),
        "touch_above": int((towers["safety_screen"] == "above").sum()),
        "touch_cannot_tell": int((towers["safety_screen"] == "cannot tell").sum()),
        "leads_missing": int((towers["leads_missing"] > 0).fillna(False).sum()),
        "bonds_to_inspect": int(bonds.sum()),
    }


def totals(table):
    """Sums over the lines.

    Parameters
    ----------
    table : pandas.DataFrame
        As `lines_table` gives it.

    Returns
    -------
    dict
        Columns of `ADD_UP` summed over the lines where they are known; money NaN where currencies differ. Bands
        are sums of ends, as if all lines erred alike.
    """
    sums = {name: table[name].sum(min_count=1) for name in ADD_UP}
    if not _one_currency(table):
        sums |= dict.fromkeys(("money_per_year", "money_low", "money_high"), np.nan)
    return sums

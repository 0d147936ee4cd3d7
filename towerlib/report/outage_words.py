"""What notebooks and pages say of lightning trip-outs in words: verdicts on the record, ranks, the answer."""

from textwrap import fill

from towerlib.text import counted, grouped, plain

BENEFIT = {  # column of the table, and how it is headed
    "benefit_rank": "benefit_rank",
    "impedance_rank": "impedance_rank",
    "tower_id": "tower_id",
    "footing_ohm": "footing_ohm",
    "trip_outs_per_year": "trip_outs",
    "trip_outs_low": "low",
    "trip_outs_high": "high",
    "avoided_to_target_per_year": "avoided",
    "chance_worst_tenth_benefit": "chance_worst_tenth",
}


def verdicts(outages):
    """How many trip-outs were what, by booked cause, as text.

    Parameters
    ----------
    outages : towerlib.outages.Outages

    Returns
    -------
    str
    """
    record = outages.record
    if record.empty:
        return "No trip-out on record."
    counts = record.assign(cause=record["cause"].fillna("blank")).groupby(["verdict", "cause"]).size()
    return counts.rename("trip-outs").reset_index().to_string(index=False)


def ranks(outages, condition, rows=10):
    """Towers where treatment avoids most, with both ranks, as text; trip-outs and avoided per year.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    condition : pandas.DataFrame
        Gives impedance_rank and footing_ohm.
    rows : int

    Returns
    -------
    str
    """
    towers = _with_condition(outages, condition).sort_values("benefit_rank", kind="stable")
    shown = towers.loc[towers["benefit_rank"].notna(), list(BENEFIT)].head(rows)
    if shown.empty:
        return "No tower has a rate."
    return shown.rename(columns=BENEFIT).to_string(
        index=False, na_rep="-", float_format=lambda value: f"{value:.3g}"
    )


def rank_reasons(outages, condition, rows=8):
    """Towers whose two ranks lie far apart, and why, one line each.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    condition : pandas.DataFrame
        Gives impedance_rank.
    rows : int

    Returns
    -------
    str
    """
    towers = _with_condition(outages, condition)
    towers = towers[towers["rank_reason"] != ""]
    apart = (towers["benefit_rank"].astype(float) - towers["impedance_rank"].astype(float)).abs()
    towers = towers.loc[apart.sort_values(ascending=False, kind="stable").index].head(rows)
    lines = [
        f"{tower.tower_id}: {tower.impedance_rank} by impedance, {tower.benefit_rank} by benefit; {tower.rank_reason}."
        for tower in towers.itertuples()
    ]
    return "\n".join(lines) or "Both ranks agree."


def _with_condition(outages, condition):
    """Rates beside the footing and its rank."""
    kept = condition[["tower_id", "footing_ohm", "impedance_rank"]]
    return outages.towers.merge(kept, on="tower_id", validate="1:1")


def years(outages):
    """Years until an improvement of the line shows, as text.

    Parameters
    ----------
    outages : towerlib.outages.Outages

    Returns
    -------
    str
    """
    lines = ["true cut   years before and after   years after, with the record there is"]
    for row in outages.years.itertuples():
        each, after = (_years(number) for number in (row.years_each_side, row.years_after_record))
        lines.append(f"{row.cut_fraction:>8.0%}   {each:>22}   {after:>37}")
    return "\n".join(lines)


def _years(number):
    """Whole years, or that nobody will live to see it."""
    if number != number:  # NaN
        return "-"
    return "over 60" if number == float("inf") else f"{number:.0f}"


def answer(outages, line):
    """What the earthing of a line costs a year, how sure that is, and what its worst tenth could save, in sentences.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    line : towerlib.config.Line

    Returns
    -------
    str
    """
    told = outages.line
    parts = [
        _cost(told, line),
        _shares(told),
        _saturated(told),
        *outages.off,
        *outages.assumed,
        *outages.remarks,
    ]
    return "\n".join(fill(part, 110, subsequent_indent="  ") for part in parts if part)


def _cost(told, line):
    """The one sentence of a line's page."""
    if "whole_line_per_year" not in told:
        return f"{line.title}: trip-outs a year cannot be told."
    text = (
        f"{line.title}: as its footings stand, lightning is expected to trip the line {_two(told['whole_line_per_year'])} "
        f"times a year ({_two(told['whole_line_low'])} to {_two(told['whole_line_high'])} by what the records leave "
        f"open, and off by a factor of {_two(told['model_factor'])} to either side for the method)"
    )
    rate = told["whole_line_per_year"]
    if "calibrated_per_year" in told:
        rate = told["calibrated_per_year"]
        text += (
            f"; with the {told['observed_trip_outs']} lightning trip-outs of {told['observed_years']:.1f} years on record, "
            f"{_two(rate)} ({_two(told['calibrated_low'])} to {_two(told['calibrated_high'])})"
        )
    if line.plan.cost_per_trip_out:
        text += f"; that is some {_money(rate * line.plan.cost_per_trip_out)} {line.plan.currency} a year".rstrip()
    return text + "."


def _shares(told):
    """What the worst tenth carries and could save."""
    if not told.get("worst_tenth_towers"):
        return ""
    every = told.get("avoided_to_target_per_year")
    whole = f"; all towers, {every / told['trip_outs_per_year']:.0%}" if every else ""
    return (
        f"The worst tenth, {told['worst_tenth_towers']} towers, carry {told['worst_tenth_carries_fraction']:.0%} of the "
        f"trip-outs. Brought to their targets, the {told['worst_tenth_towers']} towers where it pays most would avoid "
        f"{told['avoided_worst_tenth_fraction']:.0%}{whole}."
    )


def _saturated(told):
    """Towers that earthing helps little."""
    count = told.get("saturated_towers")
    if not count:
        return ""
    return f"Saturated, so that even half the footing saves less than 30 % of the trip-outs: {counted(count, 'tower')}."


def _two(number):
    """Two figures: more would promise too much."""
    return plain(float(f"{number:.2g}"))


def _money(amount):
    """Two figures of an amount, in groups of three digits."""
    return grouped(float(f"{amount:.2g}"))


def density(outages):
    """Ground flash density from the flashes along the line, with its limits, as text.

    Parameters
    ----------
    outages : towerlib.outages.Outages

    Returns
    -------
    str
    """
    found = outages.density
    if found is None:
        return "No local ground flash density: flashes.csv has no flash along the line."
    text = (
        f"Flashes along the line: {found.count} in {found.area_km2:.3g} km² and {found.years:.3g} years, "
        f"{found.per_km2_year:.2f} per km² and year (Poisson interval {found.low:.2f} to {found.high:.2f})."
    )
    if found.year_spread > 1:
        text += f" Years differ {found.year_spread:.0f} times as much as chance alone would have it: flashes come in storms."
    return "\n".join(fill(part, 110, subsequent_indent="  ") for part in (text, *found.remarks))

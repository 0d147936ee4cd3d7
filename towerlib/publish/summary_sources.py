"""What the page of a line rests on: rules with their sources, what is uncertain, what was assumed, what is off."""

from towerlib import values
from towerlib.plan import order_rule
from towerlib.publish import network_words
from towerlib.publish.summary_words import count, named, sentence, two

MOST = 4  # assumptions told in full
TRIP_OUTS = (
    "flashes collected by Eriksson (IEEE Std 1243-1997), overvoltage and flashover of the insulation as in CIGRE "
    "Technical Brochure 63 (1991), from memory; intervals of counts by Garwood (1936)"
)


def rules(study):
    """The rules that this page was made by, with their sources.

    Parameters
    ----------
    study : Assessment

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
            f"after {two(line.retest.normal_years)} years, {two(line.retest.close_years)} above the limit or where "
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
                f"trip-outs avoided count over {two(line.plan.horizon_years)} years, later ones "
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
    study : Assessment

    Returns
    -------
    list of str
    """
    towers = study.condition
    sure = towers["rank_confidence"].value_counts()
    unsure = towers.loc[towers["rank_confidence"] == "open"].sort_values("impedance_rank")["tower_id"]
    parts = [
        f"Which towers are the worst tenth by footing: {count(int(sure.get('sure', 0)), 'tower')} surely in or out, "
        f"{sure.get('likely', 0)} likely, {sure.get('open', 0)} open"
        + (f" ({named(unsure)})." if len(unsure) else "."),
        *study.outages.remarks,
    ]
    if not study.network.towers["bond_scan"].eq("").all():
        parts.append(network_words.ambient_on_line(study.network))
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
    study : Assessment

    Returns
    -------
    list of str
    """
    parts = _each_once(
        [*study.network.assumed, *study.outages.assumed, *study.treatments.assumed, *study.budget.assumed]
    )
    more = len(parts) - MOST
    return parts[:MOST] + ([f"And {more} more: see the notebooks of this month."] if more > 0 else [])


def off(study):
    """What is off and why.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    list of str
    """
    return _each_once([*study.network.off, *study.outages.off, *study.treatments.off, *study.budget.off])


def unusual(study):
    """What was seen of the records and the route: rows not used, doubtful places.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    list of str
    """
    counts = study.records.counts
    rows, rejected, repaired = (int(counts[name].sum()) for name in ("rows_in", "rejected", "repaired"))
    verdicts = study.grades.visits["verdict"].value_counts()
    parts = [
        f"{count(rows, 'row')} read, {rejected} of them not used and {repaired} cells or rows repaired, each listed with "
        "its reason in the lists beside this page.",
        f"Visits: {verdicts.get('usable', 0)} usable, {verdicts.get('usable with caution', 0)} with caution, "
        f"{verdicts.get('not usable', 0)} not usable; what is not usable stays out of every figure here.",
    ]
    return parts + _each_once(study.route.remarks)


def _each_once(parts):
    """Sentences without their repetitions."""
    return list(dict.fromkeys(sentence(part) for part in parts if part))

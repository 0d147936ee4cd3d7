"""Footing limits: the rule that holds at each tower of a line, with its target, its limit and its words."""

import math

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.limits.rules import (
    DEFAULT,
    FIGURES,
    WORDS,
    Rule,
    is_table,
    named,
    of_line,
    parted,
    read,
    shipped,
    span,
)

__all__ = ["Rule", "apply", "is_table", "named", "of_line", "read", "shipped"]

WORD_OF = {"target_ohm": "good up to", "limit_ohm": "acceptable up to"}
FACTS = {  # what a rule can ask of a tower, and its name where it is not recorded
    "soil_resistivity_ohm_m": "soil resistivity",
    "station_km": "distance to a station",
    "occupancy": "occupancy",
    "shield_wire": "state of the shield wires",
}


def apply(towers, line, rules=None):
    r"""Target and limit of each tower, and the rule that they come from.

    Parameters
    ----------
    towers : pandas.DataFrame
        One row a tower, the whole line, with what is known of chainage_km, soil_resistivity_ohm_m, occupancy,
        shield_wire.
    line : Line
        Its voltage, and its section ``[limits]``.
    rules : sequence of Rule, optional
        From `of_line` or `read`; else the shipped set that ``[limits] rules`` names.

    Returns
    -------
    pandas.DataFrame
        One row a tower, same index: target_ohm, limit_ohm, limit_rule (text).

    Raises
    ------
    SettingsError
        The set knows nothing of the line's voltage, or a target would lie above its limit.

    Notes
    -----
    The first rule of the table whose conditions are all known and met holds. Where none is, but some may be
    because a fact is not recorded, the strictest of those holds; where none can be, common practice does. The
    text says which. A rule of one figure has its target at its limit. Numbers set in ``line.toml`` win over
    all. Stations are taken to stand where the route begins and ends.

    Examples
    --------
    >>> from towerlib.line import parse
    >>> line = parse("[line]\nid = 'a'\nvoltage_kv = 132\nfrequency_hz = 50\n[limits]\nrules = 'russia'")
    >>> towers = pd.DataFrame({"tower_id": ["1", "2"], "soil_resistivity_ohm_m": [80.0, 6000.0]})
    >>> apply(towers, line)["limit_ohm"].to_list()
    [10.0, 36.0]
    """
    own = {name: getattr(line.limits, name) for name in FIGURES if name in line.limits.model_fields_set}
    if len(own) == len(FIGURES):
        return pd.DataFrame(own | {"limit_rule": f"{_figures(own)} (set in line.toml)"}, index=towers.index)
    facts = _facts(towers)
    fitting = _of_voltage(_chosen(line, rules), line)
    applied, blank = _applied(fitting, facts)
    in_order = (*fitting, *named(DEFAULT))  # the last holds where no other does
    limit = own.get("limit_ohm", _limits(in_order, facts)[applied, np.arange(len(towers))])
    target = np.array([rule.target_ohm for rule in in_order])[applied]
    target = own.get("target_ohm", np.where(np.isnan(target), limit, target))
    found = pd.DataFrame({"target_ohm": target, "limit_ohm": limit}, index=towers.index)
    _insist_on_order(found)
    return found.assign(limit_rule=_texts(in_order, applied, blank, own))


def _chosen(line, rules):
    """The rules handed over, else the shipped set that the settings name."""
    name = line.limits.rules
    if rules is None and is_table(name):
        raise SettingsError(
            f"[limits] rules = {name!r} is a table of the line folder: hand over limits.of_line()"
        )
    return named(name) if rules is None else tuple(rules)


def _of_voltage(rules, line):
    """The rules for the line's voltage; a set without any was meant for another line."""
    fitting = tuple(
        rule
        for rule in rules
        if not (line.voltage_kv < rule.voltage_min_kv or line.voltage_kv > rule.voltage_max_kv)
    )
    if not fitting:
        covered = ", ".join(
            dict.fromkeys(span(rule.voltage_min_kv, rule.voltage_max_kv, "kV") for rule in rules)
        )
        raise SettingsError(
            f"[limits] rules = {line.limits.rules!r} has no rule for {line.voltage_kv:g} kV "
            f"(only {covered}); choose another set, or set target_ohm and limit_ohm"
        )
    return fitting


def _facts(towers):
    """What is known of each tower, blank where a column is missing."""
    table = towers.reindex(columns=["soil_resistivity_ohm_m", "chainage_km", "occupancy", "shield_wire"])
    chainage_km = table["chainage_km"].astype(float)
    return table.assign(station_km=np.minimum(chainage_km, chainage_km.max() - chainage_km))[list(FACTS)]


def _conditions(rule):
    """What a rule asks of a tower: the fact, the words for it, and the test of its values."""
    over, upto, within_km = rule.soil_over_ohm_m, rule.soil_upto_ohm_m, rule.station_within_km
    if not (math.isnan(over) and math.isnan(upto)):
        words = " ".join(
            f"{word} {end:g}" for word, end in (("over", over), ("up to", upto)) if not math.isnan(end)
        )
        yield "soil_resistivity_ohm_m", f"soil {words} Ω·m", lambda ohm_m: ~((ohm_m <= over) | (ohm_m > upto))
    elif not math.isnan(rule.limit_ohm_per_ohm_m):
        yield "soil_resistivity_ohm_m", "by soil resistivity", lambda ohm_m: ohm_m.notna()
    if not math.isnan(within_km):
        yield "station_km", f"within {within_km:g} km of a station", lambda km: km <= within_km
    for name in WORDS:
        if wanted := getattr(rule, name):
            words = f"{FACTS[name]}: {' or '.join(parted(wanted))}"
            yield name, words, lambda column, wanted=wanted: column.isin(parted(wanted))


def _applied(rules, facts):
    """Place of the rule that holds at each tower, and which of its facts (bit by bit) are not recorded."""
    met, blank = np.ones((len(rules), len(facts)), bool), np.zeros((len(rules), len(facts)), int)
    for place, rule in enumerate(rules):
        for name, _, test in _conditions(rule):
            unknown = facts[name].isna().to_numpy()
            met[place] &= unknown | test(facts[name]).to_numpy(bool)
            blank[place] |= unknown << list(FACTS).index(name)
    certain, limits = met & (blank == 0), np.where(met, _limits(rules, facts), np.inf)
    holds = [certain.any(axis=0), np.isfinite(limits).any(axis=0)]
    applied = np.select(holds, [certain.argmax(axis=0), limits.argmin(axis=0)], len(rules))
    none = np.zeros((1, len(facts)), int)
    return applied, np.concatenate([blank, none])[applied, np.arange(len(facts))]


def _limits(rules, facts):
    """Limit by rule and tower, shape (rules, towers) [Ω]; inf where its resistivity is not recorded."""
    fixed = np.array([rule.limit_ohm for rule in rules])[:, None]
    slope = np.array([rule.limit_ohm_per_ohm_m for rule in rules])[:, None]
    by_soil = slope * facts["soil_resistivity_ohm_m"].to_numpy(float)
    return np.where(np.isnan(slope), fixed, np.where(np.isnan(by_soil), np.inf, by_soil))


def _insist_on_order(found):
    """A target above its limit has no meaning; it comes about where only one of both is set."""
    wrong = found[found["target_ohm"] > found["limit_ohm"]]
    if len(wrong):
        target, limit = wrong.iloc[0]
        raise SettingsError(
            f"[limits]: target_ohm {target:g} lies above limit_ohm {limit:g} at {len(wrong)} towers; set both"
        )


def _texts(rules, applied, blank, own):
    """The rule that holds at each tower, in words: composed once for each that occurs."""
    kinds, which = np.unique(np.stack([applied, blank], axis=1), axis=0, return_inverse=True)
    before = f"{_figures(own)} (set in line.toml); else " if own else ""
    texts = [before + _text(rules[place], bits, last=place == len(rules) - 1) for place, bits in kinds]
    return pd.array(np.array(texts, object)[which.ravel()], dtype="str")


def _text(rule, bits, *, last):
    """One rule in words: what holds, why here, for which reading, from where, how far confirmed."""
    figures = {name: getattr(rule, name) for name in FIGURES if not math.isnan(getattr(rule, name))}
    parts = [
        f"{rule.rule}: {_figures(figures) or f'{rule.limit_ohm_per_ohm_m:g} × soil resistivity'}",
        span(rule.voltage_min_kv, rule.voltage_max_kv, "kV"),
        *(words for _, words, _ in _conditions(rule)),
        f"read in the {rule.season}" if rule.season else "",
        f"shield wires {rule.wires_when_read}" if rule.wires_when_read else "",
        rule.note,
        ", ".join(part for part in (rule.source, rule.clause and f"clause {rule.clause}", rule.year) if part),
    ]
    missing = [words for place, words in enumerate(FACTS.values()) if bits >> place & 1]
    before = "no rule of the set holds here; " if last else ""
    after = f"; not recorded: {', '.join(missing)}, so the strictest that may hold" if missing else ""
    return f"{before}{'; '.join(part for part in parts if part)} ({rule.status}){after}"


def _figures(figures):
    """The figures of a rule in words."""
    return ", ".join(f"{WORD_OF[name]} {ohm:g} Ω" for name, ohm in figures.items())

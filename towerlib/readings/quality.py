"""Verdict on each visit: usable, usable with caution, or not usable, with the reasons in plain words.

``rules.csv`` holds the rules, `quality_rules` a function for each. `in_force` applies the user's overrides, `prepare`
computes the columns that the rules read, `grade` gives the verdicts.
"""

from __future__ import annotations

import difflib
import inspect
import math
from dataclasses import dataclass, replace
from functools import cache
from string import Formatter
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.readings import quality_rules
from towerlib.safe_files import shipped_rows

if TYPE_CHECKING:
    from typing import Any

    from towerlib.records.load import Records
    from towerlib.route import Route


OF_TOWER = ["leg_count", "leg_spacing_m", "earth_paths_in_coils", "ring", "shield_wire", "resistivity_ohm_m"]
DERIVED = (  # derived columns of each family of rules, in this order
    quality_rules.record_columns,
    quality_rules.probe_columns,
    quality_rules.coil_columns,
    quality_rules.plausible_columns,
)


@dataclass(frozen=True)
class Context:
    """One row per visit, in the order of the records, with columns of its tower and those that each theme derives.

    NaN in a derived column: not available from the records.
    """

    visits: pd.DataFrame

    def __getitem__(self, column: str) -> pd.Series:
        """One column of the visits."""
        return cast("pd.Series", self.visits[column])


def prepare(records: Records, route: Route) -> Context:
    """Columns that the rules read, computed once for all visits."""
    visits = _beside_towers(records, route.towers)
    for derive in DERIVED:
        visits = visits.assign(**derive(visits, records))
    return Context(visits)


def _beside_towers(records, along):
    """Visits with the columns of their tower and of its place on the route."""
    towers = records.towers.assign(resistivity_ohm_m=_resistivity(records))[["tower_id", *OF_TOWER]]
    visits = records.visits.drop(columns=OF_TOWER, errors="ignore").reset_index(drop=True)
    visits = visits.merge(towers, on="tower_id", how="left", validate="m:1")
    return visits.merge(_neighbours(along), on="tower_id", how="left", validate="m:1")


def _resistivity(records):
    """Soil resistivity of each tower [Ω·m]: its own, else the mean of soundings, else of two layers."""
    towers, soil = records.towers, records.soil
    logarithm = np.log(2 * np.pi * soil["spacing_m"] * soil["resistance_ohm"])
    sounded = np.exp(logarithm.groupby(soil["tower_id"]).mean())
    layers = np.sqrt(towers["upper_layer_ohm_m"] * towers["lower_layer_ohm_m"])
    return towers["soil_resistivity_ohm_m"].fillna(towers["tower_id"].map(sounded)).fillna(layers)


def _neighbours(along):
    """Direction and shorter span at each tower, its place and those of the towers before and after."""
    span = np.concatenate([[np.nan], np.diff(along["chainage_m"]), [np.nan]])
    table = {
        "tower_id": along["tower_id"],
        "line_bearing_deg": along["bearing_deg"],
        "line_deviation_deg": along["deviation_deg"].fillna(0.0) if "deviation_deg" in along else 0.0,
        "shorter_span_m": np.fmin(span[:-1], span[1:]),
    }
    for name, step in (("own", 0), ("before", 1), ("after", -1)):
        for column in ("tower_id", "latitude_deg", "longitude_deg"):
            table[f"{name}_{column}"] = along[column].shift(step)
    return pd.DataFrame(table)


SEVERITIES = ("caution", "not usable")  # from mild to severe
OFF = "off"
LARGEST = 1e9  # no threshold of any unit is greater
FUNCTIONS = {
    name: function
    for name, function in inspect.getmembers(quality_rules, inspect.isfunction)
    if list(inspect.signature(function).parameters) == ["context", "threshold"]
}


@dataclass(frozen=True)
class Rule:
    """One row of ``rules.csv``.

    `concerns` is the reading that a failure concerns: that of the "footing", of the "leakage", or "both". `severity` is
    the verdict of a visit that fails: "caution" or "not usable"; "off" by an override. `threshold` is in `unit`, NaN
    for a rule without one. Where the stricter rule `unless` fails too, this one is not listed. `value` and `sentence`
    are templates of the value found and of the message to the crew; `status` and `source` belong to the threshold.
    """

    rule: str
    concerns: str
    severity: str
    threshold: float
    unit: str
    unless: str
    value: str
    status: str
    source: str
    sentence: str


@cache
def table() -> dict[str, Rule]:
    """All rules by name, in the order of the table.

    >>> table()["probe_resistance_low"].threshold
    1000.0
    """
    rows = shipped_rows("towerlib.readings", "rules.csv")
    return {row["rule"]: Rule(**{**row, "threshold": float(row["threshold"] or "nan")}) for row in rows}


def in_force(overrides: dict[str, dict[str, Any]] | None = None) -> list[Rule]:
    """The rules that apply, in the order of the table, with the user's thresholds and severities; without those that are off.

    `overrides` has rule name to ``threshold`` and ``severity`` ("caution", "not usable" or "off"). An unknown rule or
    setting, or a value that the setting cannot have, raises `SettingsError`.

    >>> rules = in_force({"zones_apart": {"threshold": 0.3}, "soil_unfrozen": {"severity": "off"}})
    >>> [rule.threshold for rule in rules if rule.rule in ("zones_apart", "soil_unfrozen")]
    [0.3]
    """
    changed = dict(table())
    for name, settings in (overrides or {}).items():
        if name not in changed:
            raise SettingsError(f"there is no quality rule {name!r}{_nearest(name, changed)}")
        changed[name] = replace(changed[name], **_checked(changed[name], settings))
    return [rule for rule in changed.values() if rule.severity != OFF]


def _checked(rule, settings):
    """The settings of one rule, checked."""
    if not isinstance(settings, dict):
        raise SettingsError(
            f"quality rule {rule.rule} = {settings!r} is not a table of severity and threshold"
        )
    for key, value in settings.items():
        place = f"quality rule {rule.rule}: {key} = {value!r}"
        if key == "severity" and value not in (*SEVERITIES, OFF):
            raise SettingsError(f"{place} is not one of {', '.join((*SEVERITIES, OFF))}")
        if key == "threshold" and math.isnan(rule.threshold):
            raise SettingsError(f"{place}, but this rule has no threshold; set its severity instead")
        if key == "threshold" and not _is_number(value):
            raise SettingsError(f"{place} is not a number of {rule.unit}")
        if key == "threshold" and abs(cast("float", value)) > LARGEST:
            raise SettingsError(f"{place} must lie between -{LARGEST:.0f} and {LARGEST:.0f}")
        if key not in ("severity", "threshold"):
            raise SettingsError(f"{place}: only severity and threshold can be set")
    return {key: float(value) if key == "threshold" else value for key, value in settings.items()}


def _is_number(value):
    """Whether a setting is a finite number; true and false are not."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _nearest(name, known):
    """The name that was probably meant."""
    near = difflib.get_close_matches(str(name), list(known), n=1, cutoff=0.4)
    return f"; did you mean {near[0]!r}?" if near else ""


VERDICTS = ("usable", "usable with caution", "not usable")  # all but the first answer to a severity
FINDINGS = ["visit_id", "tower_id", "rule", "severity", "value", "sentence"]


@dataclass(frozen=True)
class Grades:
    """Verdicts of the quality rules.

    Attributes
    ----------
    visits
        The visits of the records, in their order, with ``verdict``, ``footing_verdict``, ``leakage_verdict``
        (a flaw of one reading does not condemn the other) and ``reasons`` (sentences, "" where usable).
    findings
        One row per failed rule and visit, in the order of the visits, the gravest first: ``visit_id``,
        ``tower_id``, ``rule``, ``severity``, ``value`` as found, ``sentence`` for the crew.
    """

    visits: pd.DataFrame
    findings: pd.DataFrame


def grade(records: Records, route: Route, overrides: dict[str, dict[str, Any]] | None = None) -> Grades:
    """Verdict and reasons for each visit, and every failed rule.

    `overrides` gives a rule a ``threshold`` or ``severity`` ("caution", "not usable", "off") of the user's own;
    `SettingsError` where it names no rule, or a value that the rule cannot have. A verdict is the gravest severity
    among the rules that a visit fails. What was not recorded fails no rule but those that ask for it. Nothing is
    corrected: a reading with wrong turns is kept as it is, with that verdict.
    """
    rules = in_force(overrides)
    context = prepare(records, route)
    found = _found(context.visits, _failures(context, rules), rules)
    return Grades(records.visits.assign(**_verdicts(found, rules, len(records.visits))), _table(found))


def _failures(context, rules):
    """Positions of the visits that fail each rule, without those that fail a stricter rule on the same."""
    failed = {rule.rule: ~FUNCTIONS[rule.rule](context, rule.threshold).to_numpy(bool) for rule in rules}
    never = np.zeros(len(context.visits), dtype=bool)
    return {rule.rule: np.flatnonzero(failed[rule.rule] & ~failed.get(rule.unless, never)) for rule in rules}


def _found(visits, failed, rules):
    """All findings in order, each behind the position of its visit, its severity and its rule."""
    found = []
    for place, rule in enumerate(rules):
        rows, level = failed[rule.rule], SEVERITIES.index(rule.severity) + 1
        if rows.size == 0:
            continue
        whose = (visits[column].to_numpy(object)[rows] for column in ("visit_id", "tower_id"))
        texts = (_fill(template, visits, rows, rule.threshold) for template in (rule.value, rule.sentence))
        found += [
            (row, -level, place, visit, tower, rule.rule, rule.severity, value, sentence)
            for row, visit, tower, value, sentence in zip(rows, *whose, *texts, strict=True)
        ]
    return sorted(found)


def _table(found):
    """The findings as a table of text."""
    columns = list(zip(*found, strict=True))[-len(FINDINGS) :] or [()] * len(FINDINGS)
    texts = (pd.array(list(column), dtype="str") for column in columns)
    return pd.DataFrame(dict(zip(FINDINGS, texts, strict=True)))


def _verdicts(found, rules, count):
    """Gravest severity of each visit, as a whole and for each of its two readings, and its sentences."""
    aspects = {"verdict": ("footing", "leakage", "both")}
    aspects |= {f"{aspect}_verdict": (aspect, "both") for aspect in ("footing", "leakage")}
    levels, reasons = {name: [0] * count for name in aspects}, [""] * count
    for row, less, place, *_, sentence in found:
        for name, concerned in aspects.items():
            if rules[place].concerns in concerned:
                levels[name][row] = max(levels[name][row], -less)
        reasons[row] = f"{reasons[row]} {sentence}".lstrip()
    graded = {
        name: pd.array([VERDICTS[gravest] for gravest in level], dtype="str")
        for name, level in levels.items()
    }
    return graded | {"reasons": pd.array(reasons, dtype="str")}


def _fill(template, visits, rows, limit):
    """The template's text for the visits at these positions."""
    pieces = []
    for words, field, form, _ in Formatter().parse(template):
        pieces.append([words] * len(rows))
        if field == "limit":
            pieces.append([_text(limit, form)] * len(rows))
        elif field:
            pieces.append([_text(value, form) for value in visits[field].to_numpy(object)[rows]])
    return ["".join(parts) for parts in zip(*pieces, strict=True)]


def _text(value, form):
    """A value as people write it: three figures or whole numbers, no powers of ten."""
    if form:
        return format(value, form)
    if isinstance(value, str):
        return value
    return f"{value:.0f}" if abs(value) >= 100 else f"{float(f'{value:.3g}'):.10g}"

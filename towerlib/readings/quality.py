"""Verdict on each visit: usable, usable with caution, or not usable, with the reasons in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from string import Formatter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.readings.rule_table import FUNCTIONS, SEVERITIES, in_force, prepare

if TYPE_CHECKING:
    from typing import Any

    from towerlib.records.load import Records
    from towerlib.route import Route


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

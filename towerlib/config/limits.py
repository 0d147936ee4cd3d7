"""Footing limits: the shipped sets of rules, a utility's own table, and the rule that applies at each tower.

`shipped`, `named`, `read` and `of_line` supply rules. `apply` finds the rule of each tower from voltage, soil, distance
to a station, occupancy and shield wires, and composes the text that names rule, source and status.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from towerlib import safe_files
from towerlib.errors import RecordsError, SettingsError, nearest
from towerlib.values import STATUSES

if TYPE_CHECKING:
    from towerlib.config import Line

DEFAULT = "common practice"
OWN = "the utility's own"
WORDS = {  # words that a rule may ask for; several in one cell are separated by "/"
    "occupancy": ("bare feet", "frequented", "accessible", "remote"),
    "shield_wire": ("bonded", "insulated", "none"),
}
FIGURES = ("target_ohm", "limit_ohm")
LEAST_OHM, MOST_OHM = 0.01, 1e4  # no footing has a limit beyond these, and computations would overflow
BOUNDS = {  # of a cell; other columns may have any number from 0 to 1e8
    "voltage_min_kv": (0, 2000),
    "voltage_max_kv": (0, 2000),
    "station_within_km": (0, 1e4),
    "target_ohm": (LEAST_OHM, MOST_OHM),
    "limit_ohm": (LEAST_OHM, MOST_OHM),
    "limit_ohm_per_ohm_m": (0, 100),
}
PAIRS = (("voltage_min_kv", "voltage_max_kv"), ("soil_over_ohm_m", "soil_upto_ohm_m"), FIGURES)


@dataclass(frozen=True)
class Rule:
    """One row of a table of limits; a blank number is NaN and sets no condition."""

    rule_set: str = ""
    rule: str = ""  # its own name within the set
    voltage_min_kv: float = math.nan
    voltage_max_kv: float = math.nan  # nominal voltage from .. up to, both ends included
    soil_over_ohm_m: float = math.nan
    soil_upto_ohm_m: float = math.nan  # soil resistivity over .. up to, the upper end included
    station_within_km: float = math.nan  # distance along the route to the nearer end of the line, up to
    occupancy: str = ""
    shield_wire: str = ""  # words of the register, one of which the tower must have; separated by "/"
    target_ohm: float = math.nan
    limit_ohm: float = math.nan  # target: good up to; limit: acceptable up to
    limit_ohm_per_ohm_m: float = math.nan  # in place of `limit_ohm`: limit over soil resistivity [Ω/(Ω·m)]
    season: str = ""
    # season of the reading that the figure is meant for, and state of the shield wires then
    wires_when_read: str = ""
    note: str = ""
    source: str = ""
    clause: str = ""
    year: str = ""
    # "confirmed" (seen in the source), "from memory", "common practice", or the utility's own
    status: str = OWN


COLUMNS = {field.name: type(field.default) for field in fields(Rule)}
WORD_OF = {"target_ohm": "good up to", "limit_ohm": "acceptable up to"}
FACTS = {  # what a rule can ask of a tower, and its name where it is not recorded
    "soil_resistivity_ohm_m": "soil resistivity",
    "station_km": "distance to a station",
    "occupancy": "occupancy",
    "shield_wire": "state of the shield wires",
}


@cache
def shipped() -> dict[str, tuple[Rule, ...]]:
    """The shipped sets of rules by name, each in the order of ``limits.csv``.

    Only the default applies unless ``line.toml`` names another set. The others are figures found in print or
    remembered, each with its source and status; none of them is a recommendation.
    """
    sets: dict[str, list[Rule]] = {}
    for number, row in enumerate(safe_files.shipped_rows("towerlib.config", "limits.csv"), start=2):
        rule = _rule(row, "limits.csv", number)
        sets.setdefault(rule.rule_set, []).append(rule)
    return {name: tuple(rules) for name, rules in sets.items()}


def named(name: str) -> tuple[Rule, ...]:
    """The rules of one shipped set; `SettingsError` where there is no such set."""
    if name not in shipped():
        raise SettingsError(
            f"there is no set of limits {name!r}{nearest(name, shipped())}; "
            "or name a table of your own, such as 'limits.csv'"
        )
    return shipped()[name]


def is_table(name: str) -> bool:
    """Whether ``rules`` in ``line.toml`` names a file of the line folder and not a shipped set.

    >>> is_table("limits.csv"), is_table("india")
    (True, False)
    """
    return name.lower().endswith(".csv")


def of_line(line: Line, folder: str | Path) -> tuple[Rule, ...]:
    """The rules that a line's settings name: a shipped set, or a table in the line folder; `SettingsError` without it."""
    name = line.limits.rules
    return read(Path(folder) / name) if is_table(name) else named(name)


def read(path: str | Path) -> tuple[Rule, ...]:
    """The rules of a table of limits, in its order.

    The file is UTF-8 text with a header of `Rule`'s columns, separated by comma, semicolon or tab. Only the limit is
    needed in each row: a row without conditions applies to every tower that no row above it covers. `SettingsError`
    where the file is missing or not a plain file of its folder, a column is unknown, or a value is not allowed.
    """
    path = Path(path)
    try:
        read = safe_files.content(path, path.parent, safe_files.LARGEST_TEXT, may_be_empty=True)
        text = read.decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            f"{path} is missing: [limits] rules names it; add the file or name a shipped set"
        ) from None
    except RecordsError as flaw:
        raise SettingsError(f"{path} {flaw}") from None
    except (OSError, UnicodeDecodeError) as flaw:
        raise SettingsError(f"{path} cannot be read: {flaw}; save it as UTF-8 text") from None
    return _rules(text, path)


def _rules(text: str, path: Path) -> tuple[Rule, ...]:
    """The rules in the text of a table of limits; `path` is named in error messages."""
    lines = text.splitlines()
    separator = max(",;\t", key=lines[0].count) if lines else ","
    rows = csv.DictReader(lines, delimiter=separator, restkey="")
    if unknown := [name for name in rows.fieldnames or () if name not in COLUMNS]:
        raise SettingsError(
            f"{path}: there is no column {unknown[0]!r} in a table of limits{nearest(unknown[0], COLUMNS)}"
        )
    rules = tuple(_rule(row, path, rows.line_num) for row in rows)
    if not rules:
        raise SettingsError(f"{path} has no rule; give one row with a limit_ohm at least")
    return rules


def _rule(row: Mapping[str, Any], place: str | Path, number: int) -> Rule:
    """One row of a table as a rule."""
    where = f"{place}, row {number}"
    if row.get(""):
        raise SettingsError(
            f"{where} has more cells than the header; put quotation marks round a text that contains the separator"
        )
    cells = {name: (text or "").strip() for name, text in row.items() if name}
    given: dict[str, Any] = {name: _cell(name, text, where) for name, text in cells.items() if text}
    given.setdefault("rule", f"row {number}")
    rule = Rule(**given)
    if math.isnan(rule.limit_ohm) == math.isnan(rule.limit_ohm_per_ohm_m):
        raise SettingsError(f"{where}: give either limit_ohm or limit_ohm_per_ohm_m")
    for low, high in PAIRS:
        if getattr(rule, low) > getattr(rule, high):
            raise SettingsError(
                f"{where}: {low} {given[low]:g} lies above {high} {given[high]:g}; correct one of them"
            )
    return rule


def _cell(name: str, text: str, where: str) -> float | str:
    """One cell that is not blank: a number within its bounds, or a text of the words of its column."""
    if COLUMNS[name] is float:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        low, high = BOUNDS.get(name, (0, 1e8))
        if not low <= value <= high:
            raise SettingsError(f"{where}: {name} {text!r} is not a number from {low:g} to {high:.10g}")
        return value
    known = (*STATUSES, OWN) if name == "status" else WORDS.get(name, ())
    for word in _words(text) if known else ():
        if word not in known:
            raise SettingsError(f"{where}: {name} {word!r} is none of {', '.join(known)}")
    return text


def _words(text: str) -> list[str]:
    """The words of one cell."""
    return [word.strip() for word in text.split("/")]


def _range(low: float, high: float, unit: str) -> str:
    """A range in words, "" where it has no end."""
    if low == high:
        return f"{low:g} {unit}"
    ends = (("from", low), ("up to", high))
    words = " ".join(f"{word} {end:g}" for word, end in ends if not math.isnan(end))
    return f"{words} {unit}" if words else ""


def apply(towers: pd.DataFrame, line: Line, rules: Sequence[Rule] | None = None) -> pd.DataFrame:
    r"""Target and limit of each tower, and the rule that supplies them.

    Parameters
    ----------
    towers
        One row per tower, the whole line, with the known ones of chainage_km, soil_resistivity_ohm_m, occupancy,
        shield_wire.
    line
        Its voltage, and its section ``[limits]``.
    rules
        From `of_line` or `read`; else the shipped set that ``[limits] rules`` names.

    Returns
    -------
    pandas.DataFrame
        One row per tower, same index: target_ohm, limit_ohm, limit_rule (text).

    Raises
    ------
    SettingsError
        The set has no rule for the line's voltage, or a target would lie above its limit.

    Notes
    -----
    The first rule of the table whose conditions are all known and met applies. Where no such rule exists, but some may
    be met because a fact is not recorded, the strictest of those applies; where none can be met, common practice does.
    The text names the case. A rule with one figure has its target at its limit. Numbers that the settings give
    override all rules. The stations are assumed to be where the route begins and ends.
    """
    own = {name: getattr(line.limits, name) for name in FIGURES if name in line.limits.model_fields_set}
    if len(own) == len(FIGURES):
        return pd.DataFrame(own | {"limit_rule": _own_words(own, line)}, index=towers.index)
    facts = _facts(towers)
    fitting = _of_voltage(_chosen(line, rules), line)
    applied, blank = _applied(fitting, facts)
    in_order = (*fitting, *named(DEFAULT))  # the last applies where no other does
    limit = own.get("limit_ohm", _limits(in_order, facts)[applied, np.arange(len(towers))])
    target = np.array([rule.target_ohm for rule in in_order])[applied]
    target = own.get("target_ohm", np.where(np.isnan(target), limit, target))
    found = pd.DataFrame({"target_ohm": target, "limit_ohm": limit}, index=towers.index)
    _insist_on_order(found)
    before = f"{_own_words(own, line)}; else " if own else ""
    return found.assign(limit_rule=_texts(in_order, applied, blank, before))


def _chosen(line: Line, rules: Sequence[Rule] | None) -> tuple[Rule, ...]:
    """The given rules, else the shipped set that the settings name."""
    name = line.limits.rules
    if rules is None and is_table(name):
        raise SettingsError(
            f"[limits] rules = {name!r} is a table of the line folder: hand over limits.of_line()"
        )
    return named(name) if rules is None else tuple(rules)


def _of_voltage(rules: tuple[Rule, ...], line: Line) -> tuple[Rule, ...]:
    """The rules for the line's voltage; a set without any is meant for another line."""
    fitting = tuple(
        rule
        for rule in rules
        if not (line.voltage_kv < rule.voltage_min_kv or line.voltage_kv > rule.voltage_max_kv)
    )
    if not fitting:
        covered = ", ".join(
            dict.fromkeys(_range(rule.voltage_min_kv, rule.voltage_max_kv, "kV") for rule in rules)
        )
        raise SettingsError(
            f"[limits] rules = {line.limits.rules!r} has no rule for {line.voltage_kv:g} kV "
            f"(only {covered}); choose another set, or set target_ohm and limit_ohm"
        )
    return fitting


def _facts(towers: pd.DataFrame) -> Any:
    """The known facts of each tower, blank where a column is missing."""
    table = towers.reindex(columns=["soil_resistivity_ohm_m", "chainage_km", "occupancy", "shield_wire"])
    chainage_km = table["chainage_km"].astype(float)
    return table.assign(station_km=np.minimum(chainage_km, chainage_km.max() - chainage_km))[list(FACTS)]


def _conditions(rule: Rule) -> Iterator[tuple[str, str, Callable[[Any], Any]]]:
    """The conditions of a rule: the fact, the words for it, and the test of its values."""
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
            words = f"{FACTS[name]}: {' or '.join(_words(wanted))}"
            yield name, words, lambda column, wanted=wanted: column.isin(_words(wanted))


def _applied(rules: tuple[Rule, ...], facts) -> tuple[np.ndarray, np.ndarray]:
    """Place of the rule that applies at each tower, and which of its facts (bit by bit) are not recorded."""
    met, blank = np.ones((len(rules), len(facts)), bool), np.zeros((len(rules), len(facts)), int)
    for place, rule in enumerate(rules):
        for name, _, test in _conditions(rule):
            unknown = facts[name].isna().to_numpy()
            met[place] &= unknown | test(facts[name]).to_numpy(bool)
            blank[place] |= unknown << list(FACTS).index(name)
    certain, limits = met & (blank == 0), np.where(met, _limits(rules, facts), np.inf)
    exists = [certain.any(axis=0), np.isfinite(limits).any(axis=0)]
    applied = np.select(exists, [certain.argmax(axis=0), limits.argmin(axis=0)], len(rules))
    none = np.zeros((1, len(facts)), int)
    return applied, np.concatenate([blank, none])[applied, np.arange(len(facts))]


def _limits(rules: tuple[Rule, ...], facts) -> np.ndarray:
    """Limit by rule and tower, shape (rules, towers) [Ω]; inf where the soil resistivity is not recorded."""
    fixed = np.array([rule.limit_ohm for rule in rules])[:, None]
    slope = np.array([rule.limit_ohm_per_ohm_m for rule in rules])[:, None]
    by_soil = slope * facts["soil_resistivity_ohm_m"].to_numpy(float)
    return np.where(np.isnan(slope), fixed, np.where(np.isnan(by_soil), np.inf, by_soil))


def _insist_on_order(found: pd.DataFrame) -> None:
    """Refuse a target above its limit, which arises where only one of both is set."""
    wrong = found[found["target_ohm"] > found["limit_ohm"]]
    if len(wrong):
        target, limit = wrong.iloc[0]
        raise SettingsError(
            f"[limits]: target_ohm {target:g} lies above limit_ohm {limit:g} at {len(wrong)} towers; set both"
        )


def _own_words(own: Mapping[str, float], line: Line) -> str:
    """The figures of the settings in words, each with its origin: ``line.toml``, or a change for one study."""
    origins: dict[str, dict[str, float]] = {}
    for name, ohm in own.items():
        origin = "for this study" if f"limits.{name}" in line.replaced else "in line.toml"
        origins.setdefault(origin, {})[name] = ohm
    return ", ".join(f"{_figures(figures)} (set {origin})" for origin, figures in origins.items())


def _texts(rules: tuple[Rule, ...], applied: np.ndarray, blank: np.ndarray, before: str) -> Any:
    """The rule that applies at each tower in words, behind `before`, composed once per distinct rule."""
    kinds, which = np.unique(np.stack([applied, blank], axis=1), axis=0, return_inverse=True)
    texts = [before + _text(rules[place], bits, last=place == len(rules) - 1) for place, bits in kinds]
    return pd.array(np.array(texts, object)[which.ravel()], dtype="str")


def _text(rule: Rule, bits: int, *, last: bool) -> str:
    """One rule in words: figures, conditions, the reading it is meant for, source, status."""
    figures = {name: getattr(rule, name) for name in FIGURES if not math.isnan(getattr(rule, name))}
    parts = [
        f"{rule.rule}: {_figures(figures) or f'{rule.limit_ohm_per_ohm_m:g} × soil resistivity'}",
        _range(rule.voltage_min_kv, rule.voltage_max_kv, "kV"),
        *(words for _, words, _ in _conditions(rule)),
        f"read in the {rule.season}" if rule.season else "",
        f"shield wires {rule.wires_when_read}" if rule.wires_when_read else "",
        rule.note,
        ", ".join(part for part in (rule.source, rule.clause and f"clause {rule.clause}", rule.year) if part),
    ]
    missing = [words for place, words in enumerate(FACTS.values()) if bits >> place & 1]
    before = "no rule of the set applies here; " if last else ""
    after = f"; not recorded: {', '.join(missing)}, so the strictest rule that may apply" if missing else ""
    return f"{before}{'; '.join(part for part in parts if part)} ({rule.status}){after}"


def _figures(figures: Mapping[str, float]) -> str:
    """The figures of a rule in words."""
    return ", ".join(f"{WORD_OF[name]} {ohm:g} Ω" for name, ohm in figures.items())

"""The tables of footing limits: the shipped sets, and a utility's own."""

import csv
import difflib
import math
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from pathlib import Path

from towerlib import inputs
from towerlib.errors import RecordsError, SettingsError
from towerlib.values import STATUSES

DEFAULT = "common practice"
OWN = "the utility's own"
WORDS = {  # words a rule may ask for; several in one cell are parted by "/"
    "occupancy": ("bare feet", "frequented", "accessible", "remote"),
    "shield_wire": ("bonded", "insulated", "none"),
}
FIGURES = ("target_ohm", "limit_ohm")
LEAST_OHM, MOST_OHM = 0.01, 1e4  # beyond these no footing has a limit, and figures would overflow
BOUNDS = {  # of a cell; what is not named here may be anything from 0 to 1e8
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
    """One row of a table of limits; a blank number is NaN and asks for nothing.

    Parameters
    ----------
    rule_set, rule : str
        Set that the rule belongs to, and its own name.
    voltage_min_kv, voltage_max_kv : float
        Nominal voltage from .. up to, both ends included [kV].
    soil_over_ohm_m, soil_upto_ohm_m : float
        Soil resistivity over .. up to, the upper end included [Ω·m].
    station_within_km : float
        Distance along the route to the nearer end of the line, up to [km].
    occupancy, shield_wire : str
        Words of the register, one of which the tower must have; parted by "/".
    target_ohm, limit_ohm : float
        Good up to, acceptable up to [Ω].
    limit_ohm_per_ohm_m : float
        In place of `limit_ohm`: limit over soil resistivity [Ω/(Ω·m)].
    season, wires_when_read : str
        Season of the reading that the figure is meant for, and the state of the shield wires then.
    note, source, clause, year : str
        What else to know, and where the figure stands.
    status : str
        "confirmed": seen in the source named; "from memory"; "common practice"; else the utility's own.
    """

    rule_set: str = ""
    rule: str = ""
    voltage_min_kv: float = math.nan
    voltage_max_kv: float = math.nan
    soil_over_ohm_m: float = math.nan
    soil_upto_ohm_m: float = math.nan
    station_within_km: float = math.nan
    occupancy: str = ""
    shield_wire: str = ""
    target_ohm: float = math.nan
    limit_ohm: float = math.nan
    limit_ohm_per_ohm_m: float = math.nan
    season: str = ""
    wires_when_read: str = ""
    note: str = ""
    source: str = ""
    clause: str = ""
    year: str = ""
    status: str = OWN


COLUMNS = {field.name: field.type for field in fields(Rule)}


@cache
def shipped():
    """The shipped sets of rules.

    Returns
    -------
    dict of str to tuple of Rule
        By name of the set, each in the order of ``rules.csv``.

    Notes
    -----
    Only the default is in force unless ``line.toml`` names another. The others are figures found in print or
    remembered, each with its source and how far it is confirmed; none is a recommendation.

    Examples
    --------
    >>> [rule.limit_ohm for rule in shipped()["china"]]
    [10.0, 15.0, 20.0, 25.0, 30.0]
    """
    place, sets = files("towerlib.limits").joinpath("rules.csv"), {}
    for rule in _rules(place.read_text(encoding="utf-8"), place):
        sets.setdefault(rule.rule_set, []).append(rule)
    return {name: tuple(rules) for name, rules in sets.items()}


def named(name):
    """The rules of one shipped set.

    Parameters
    ----------
    name : str

    Returns
    -------
    tuple of Rule

    Raises
    ------
    SettingsError
        There is no such set.
    """
    if name not in shipped():
        raise SettingsError(
            f"there is no set of limits {name!r}{_nearest(name, shipped())}; "
            "or name a table of your own, such as 'limits.csv'"
        )
    return shipped()[name]


def is_table(name):
    """Whether ``rules`` in ``line.toml`` names a file of the line folder, and not a shipped set.

    Parameters
    ----------
    name : str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_table("limits.csv"), is_table("india")
    (True, False)
    """
    return name.lower().endswith(".csv")


def of_line(line, folder):
    """The rules that a line's settings name: a shipped set, or a table in its folder.

    Parameters
    ----------
    line : Line
    folder : path
        The line folder.

    Returns
    -------
    tuple of Rule

    Raises
    ------
    SettingsError
        No such set, or the table cannot be used.
    """
    name = line.limits.rules
    return read(Path(folder) / name) if is_table(name) else named(name)


def read(path):
    """The rules of a table of limits.

    Parameters
    ----------
    path : path
        Text with a header of `Rule`'s columns, separated by comma, semicolon or tab; UTF-8. Only the limit is
        needed in each row: a row without conditions holds for every tower that no row above it covers.

    Returns
    -------
    tuple of Rule
        In the order of the table.

    Raises
    ------
    SettingsError
        Missing file, no plain file of its folder, unknown column, or a value that the column cannot have; with
        row, value and mend.
    """
    path = Path(path)
    try:
        read = inputs.content(path, path.parent, inputs.LARGEST_TEXT, may_be_empty=True)
        text = read.decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            f"{path} is missing: [limits] rules names it; add it or name a shipped set"
        ) from None
    except RecordsError as flaw:
        raise SettingsError(f"{path} {flaw}") from None
    except (OSError, UnicodeDecodeError) as flaw:
        raise SettingsError(f"{path} cannot be read: {flaw}; save it as UTF-8 text") from None
    return _rules(text, path)


def _rules(text, path):
    """The rules in the text of a table of limits; `path` is named in error messages."""
    lines = text.splitlines()
    separator = max(",;\t", key=lines[0].count) if lines else ","
    rows = csv.DictReader(lines, delimiter=separator, restkey="")
    if unknown := [name for name in rows.fieldnames or () if name not in COLUMNS]:
        raise SettingsError(
            f"{path}: no column {unknown[0]!r} in a table of limits{_nearest(unknown[0], COLUMNS)}"
        )
    rules = tuple(_rule(row, path, rows.line_num) for row in rows)
    if not rules:
        raise SettingsError(f"{path} has no rule; give one row with a limit_ohm at least")
    return rules


def _rule(row, place, number):
    """One row of a table as a rule, or the error that says what is wrong with it."""
    where = f"{place}, row {number}"
    if row.pop("", None):
        raise SettingsError(f"{where} has more cells than the header; quote a text that holds the separator")
    cells = {name: (text or "").strip() for name, text in row.items()}
    given = {name: _cell(name, text, where) for name, text in cells.items() if text}
    rule = Rule(**({"rule": f"row {number}"} | given))
    if math.isnan(rule.limit_ohm) == math.isnan(rule.limit_ohm_per_ohm_m):
        raise SettingsError(f"{where}: give either limit_ohm or limit_ohm_per_ohm_m")
    for low, high in PAIRS:
        if getattr(rule, low) > getattr(rule, high):
            raise SettingsError(f"{where}: {low} {given[low]:g} lies above {high} {given[high]:g}")
    return rule


def _cell(name, text, where):
    """One cell that is not blank: a number within its bounds, or a text of the words that its column knows."""
    if COLUMNS[name] is float:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        low, high = BOUNDS.get(name, (0, 1e8))
        if not low <= value <= high:
            raise SettingsError(f"{where}: {name} {text!r} is not a number from {low:g} to {high:.10g}")
        return value
    known = (*STATUSES, OWN) if name == "status" else WORDS.get(name)
    for word in parted(text) if known else ():
        if word not in known:
            raise SettingsError(f"{where}: {name} {word!r} is none of {', '.join(known)}")
    return text


def parted(text):
    """The words of one cell."""
    return [word.strip() for word in text.split("/")]


def span(low, high, unit):
    """A range in words, "" where it has no end."""
    if low == high:
        return f"{low:g} {unit}"
    ends = (("from", low), ("up to", high))
    words = " ".join(f"{word} {end:g}" for word, end in ends if not math.isnan(end))
    return f"{words} {unit}" if words else ""


def _nearest(name, known):
    """The name that was probably meant, else all of them."""
    near = difflib.get_close_matches(str(name), list(known), n=1, cutoff=0.4)
    return f"; did you mean {near[0]!r}?" if near else f"; known are {', '.join(known)}"

"""Numbers, units, yes or no, and words from a list, as crews write them.

`numbers` reads a column of numbers. It converts a unit in the cell (`factor`). It settles by the evidence of the
column whether 1,234 has a decimal comma or a thousands separator (`decimal_separators`). It knows one-sided readings,
over-range texts and placeholder text. `yes_no` and `choice` read the other short texts. None of them guesses: a cell
that stays ambiguous is a problem with a sentence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from functools import cache
from typing import Any, cast

import numpy as np
import pandas as pd

from towerlib.records.parsing import (
    Parsed,
    each_text,
    groups,
    keyboard,
    parsed,
    patch,
    phrases,
    placed,
    plain_numbers,
    shown,
    tidy,
    unread,
    word_key,
)
from towerlib.values import number

_PREFIXES = {"": 1.0, "µ": 1e-6, "μ": 1e-6, "u": 1e-6, "m": 1e-3, "c": 1e-2, "k": 1e3, "K": 1e3, "M": 1e6}
_UNITS = {  # quantity: names in lower case, and the prefixes that occur in the trade
    "impedance": (("ω", "ohm", "ohms"), "µμumkKM"),
    "resistivity": (("ωm", "ohmm", "ohmmetre", "ohmmetres", "ohmmeter", "ohmmeters"), "mkK"),
    "current": (("a", "amp", "amps", "ampere", "amperes"), "µμumkK"),
    "voltage": (("v", "volt", "volts"), "µμumkK"),
    "frequency": (("hz", "hertz"), "kKM"),
    "length": (("m", "metre", "metres", "meter", "meters"), "mckK"),
    "angle": (("°", "deg", "degree", "degrees"), ""),
    "duration": (("s", "sec", "secs", "second", "seconds"), "m"),
    "percentage": (("%", "percent", "pct", "prozent"), ""),
}
_SPELT_OUT = {
    **dict.fromkeys(("kiloohm", "kiloohms", "kilohm", "kilohms"), ("impedance", 1e3)),
    **dict.fromkeys(("megaohm", "megaohms", "megohm", "megohms"), ("impedance", 1e6)),
    **dict.fromkeys(("milliohm", "milliohms"), ("impedance", 1e-3)),
    **dict.fromkeys(("milliamp", "milliamps", "milliampere", "milliamperes"), ("current", 1e-3)),
    **dict.fromkeys(("kilometre", "kilometres", "kilometer", "kilometers"), ("length", 1e3)),
    **dict.fromkeys(("ωcm", "ohmcm"), ("resistivity", 1e-2)),
    **dict.fromkeys(("ft", "foot", "feet"), ("length", number("foot_m"))),
}
_JOINTS = str.maketrans("", "", " .·⋅*-_")
_EXPONENT = r"(?:[eE][+-]?[0-9]{1,3})?"
_LAKHS = r"[0-9]{1,2}(?:,[0-9]{2})+,[0-9]{3}"  # grouping of the Indian subcontinent: 1,25,000
# Forms with only one possible decimal separator, except for the lone thousand below, which fits them too.
_COMMA = "|".join(
    (r"[+-]?(?:[0-9]*|[0-9]{1,3}(?:[ .'][0-9]{3})+),[0-9]+" + _EXPONENT, r"[+-]?[0-9]{1,3}(?:\.[0-9]{3}){2,}")
)
_POINT = "|".join(
    (
        rf"[+-]?(?:[0-9]*|[0-9]{{1,3}}(?:[ ,'][0-9]{{3}})+|{_LAKHS})\.[0-9]+" + _EXPONENT,
        r"[+-]?[0-9]{1,3}(?:,[0-9]{3}){2,}",
        rf"[+-]?{_LAKHS}",
    )
)
_WHOLE = rf"[+-]?(?:[0-9]+|[0-9]{{1,3}}(?:[ '][0-9]{{3}})+){_EXPONENT}"
_LONE_COMMA = r"[+-]?[1-9][0-9]{0,2},[0-9]{3}"
LONE_POINT = r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}"
_NUMBER = (  # a sign of a one-sided reading, a number, and the rest: a unit, or anything else
    r"^(?P<side>[<>≤≥]=?)?\s*(?P<body>[+-]?[0-9.,' ]*[0-9](?:[eE][+-]?[0-9]{1,3})?)"
    + r"\s*(?P<tail>[^0-9\s.,'].*)?$"
)
_USUAL = {",": r"[+-]?[0-9]*(?:,[0-9]+)?", ".": r"[+-]?[0-9]*(?:\.[0-9]+)?"}
_OVER_RANGE = phrases(
    *("OL", "O.L.", "over_range", "overloaded", "over range", "overflow", "ovl", "ovr", "out of range"),
    *("outside range", "off scale", "Überlast", "Überlauf", "Messbereich überschritten", "außer Bereich"),
    *("hors gamme", "hors échelle", "dépassement", "fuera de rango", "fuera de escala", "sobrerango"),
    *("fora da faixa", "fora de escala", "fora de alcance"),
)
_ENDLESS = phrases("inf", "+inf", "infinity", "+infinity", "∞", "+∞")
_YES = frozenset(
    ("yes", "y", "true", "t", "1", "1.0", "x", "✓", "✔", "☑", "ja", "j", "wahr", "oui", "vrai", "si", "sí")
) | {"s", "sim", "verdadero", "verdadeiro"}
_NO = frozenset(
    ("no", "n", "false", "f", "0", "0.0", "nein", "falsch", "non", "faux", "falso", "não", "nao", "☐")
)
_TRUTH = dict.fromkeys(_YES, True) | dict.fromkeys(_NO, False)


def numbers(cells: pd.Series, unit: str, *, decimal: str | None = None) -> Parsed:
    """Numbers in the unit of the column (``"1"`` for none), as float.

    A number with a point and nothing else (``3.2``, ``1e3``) is the usual form; so is a decimal comma where `decimal`
    names it as the separator that the file is known to use; a cell separator ``;`` does not prove a decimal comma.
    Everything else that can be read counts as repaired: a unit in the cell (converted, if `find` knows it), thousands
    separators, ``<0.5`` and ``>2000``, words. An over-range text gives NaN with ``">"`` in `censored`, placeholder text
    a blank. Where ``1,234`` may be a thousand or a decimal, only the column can decide: see `decimal_separators`.
    Whether 0 means "not tested" is not decided here.
    """
    text = tidy(cells)
    values = plain_numbers(text)
    hard = cast("Any", values.isna() & (text != ""))
    if decimal == "," or cast("Any", text[hard]).str.contains(",", regex=False).any():
        hard = hard | text.str.fullmatch(LONE_POINT)  # 1.234 may be a thousand there
    read = parsed(values.mask(hard))
    if not hard.any():
        return read
    return patch(read, hard, _hard_numbers(text[hard], text[~hard], unit, decimal))


def _hard_numbers(text, others, unit: str, decimal: str | None) -> Parsed:
    """Readings of the cells that are not plain numbers; `others` are the plain ones of the column."""
    found = cast("Any", groups(keyboard(text), _NUMBER).fillna(""))
    separators = decimal_separators(found["body"], others, decimal)
    scale = each_text(found["tail"], lambda tail: factor(tail, unit), "float64")
    values = to_float(found["body"], separators) * scale
    values = values.where(np.isfinite(values))
    usual = text.str.fullmatch(_USUAL[decimal or "."]) & (separators == (decimal or "."))
    side = found["side"].str.slice(0, 1).replace({"≤": "<", "≥": ">"})
    read = parsed(values, repaired=~usual, censored=side)
    lost = values.isna()
    if not lost.any():
        return read
    about = found.assign(text=text, separator=separators, has_scale=scale.notna())[lost]
    return patch(read, lost, _no_numbers(about, unit))


def _no_numbers(about, unit: str) -> Parsed:
    """Cells without a value: beyond the range, not measured, or a problem."""
    text, tail, separator = about["text"], about["tail"], about["separator"]
    is_over = each_text(text, _is_over_range, "bool")
    endless = each_text(text, word_key).isin(_ENDLESS) | (separator.isin([",", "."]) & about["has_scale"])
    has_unit = each_text(tail, lambda one: bool(find(one)), "bool")
    other_unit = (separator != "") & ~about["has_scale"] & has_unit
    wanted = "a number" if unit == "1" else f"a number in {unit}"
    mend = "write one number, such as 3.2, or leave the cell empty if nothing was measured."
    problem = (
        unread(text, f"is not {wanted}; {mend}")
        .mask(
            endless,
            shown(text) + " is not a finite number; write >2000 or OL for a reading beyond the range.",
        )
        .mask(separator == "?", _two_readings(text, about["body"]))
        .mask(other_unit, _other_unit(text, tail, unit))
        .mask(is_over, "")
    )
    blank = pd.Series(np.nan, index=text.index)
    return parsed(
        blank, repaired=problem == "", censored=is_over.map({True: ">", False: ""}), problem=problem
    )


def _is_over_range(text: str) -> bool:
    """Whether a cell states, with or without a unit, that the instrument was beyond its range."""
    words, _, last = text.rpartition(" ")
    return word_key(text) in _OVER_RANGE or (word_key(words) in _OVER_RANGE and find(last) is not None)


def _two_readings(text, body):
    """The problem of 1,234 where nothing settles the comma."""
    decimal = body.str.replace(",", ".", regex=False)
    thousand = body.str.replace("[,.]", "", regex=True)
    return (
        shown(text)
        + " reads as "
        + decimal
        + " or as "
        + thousand
        + ", and the column does not settle which; "
        "write " + thousand + " or " + decimal + "0."
    )


def _other_unit(text, tail, unit):
    """The problem of volts in a column of ohms."""
    column = "takes no unit" if unit == "1" else f"is in {unit}"
    return (
        shown(text) + " carries the unit " + tail + f", but this column {column}; "
        "check that the reading is in the right column."
    )


def decimal_separators(numbers: pd.Series, others: pd.Series, decimal: str | None = None) -> pd.Series:
    """Decimal separator of each number: ``"?"`` where nothing settles it, ``""`` where it is not a number.

    `numbers` have no unit and the characters of a plain keyboard; `others` are the plain numbers of the column, which
    are further evidence; `decimal` is the separator that the file is known to use. Most forms are unambiguous: 3,2 and
    1.234,5 have a decimal comma; 3.2, 1,234.5 and 1,234,567 a decimal point. Only one to three digits, a separator and
    three digits (1,234 or 1.234) can be either. There `decimal` and the other cells decide. Where they use both
    separators, or where 1,234 has no evidence beside it, the separator stays open; 1.234 without evidence of a decimal
    comma has a decimal point.
    """
    lone_comma, lone_point = numbers.str.fullmatch(_LONE_COMMA), numbers.str.fullmatch(LONE_POINT)
    comma = numbers.str.fullmatch(_COMMA) & ~lone_comma
    point = numbers.str.fullmatch(_POINT) & ~lone_point
    comma_used = decimal == "," or comma.any()
    # of the plain numbers, a point that cannot separate thousands
    elsewhere = others.str.contains(".", regex=False) & ~others.str.fullmatch(LONE_POINT)
    point_used = decimal == "." or point.any() or bool(elsewhere.any())
    found = pd.Series("", index=numbers.index, dtype="str")
    found[comma] = ","
    found[point | numbers.str.fullmatch(_WHOLE)] = "."
    is_comma = comma_used and (decimal == "," or not point_used)
    found[lone_comma] = "," if is_comma else "." if point_used and not comma_used else "?"
    found[lone_point] = "." if decimal == "." or not comma_used else "?" if point_used else ","
    return found


def to_float(numbers: pd.Series, separators: pd.Series) -> pd.Series:
    """Numbers by the result of `decimal_separators`; NaN where that is not settled."""
    with_comma = numbers.str.replace("[ .']", "", regex=True).str.replace(",", ".", regex=False)
    with_point = numbers.str.replace("[ ,']", "", regex=True)
    plain = with_point.where(separators == ".", with_comma.where(separators == ",", ""))
    return plain_numbers(plain)


@cache
def find(written: str) -> tuple[str, float] | None:
    """Quantity of a unit as written, and factor to its unprefixed SI unit (degree, percent); None for an unknown unit.

    Case matters only between m (milli) and M (mega). Source: BIPM, The International System of Units, 9th edition
    (2019), table 7: names and symbols of the prefixes.

    >>> find("kΩ"), find("mA"), find("furlong")
    (('impedance', 1000.0), ('current', 0.001), None)
    """
    joined = written.translate(_JOINTS)
    if joined.lower() in _SPELT_OUT:
        return _SPELT_OUT[joined.lower()]
    for prefix, size in _PREFIXES.items():
        name = joined.removeprefix(prefix).lower()
        for quantity, (names, prefixes) in _UNITS.items():
            if joined.startswith(prefix) and prefix in prefixes and name in names:
                return quantity, size
    return None


def factor(written: str, target: str) -> float:
    """Factor from a unit as written ("" means that of the column) to the unit of the column; NaN where it cannot be."""
    if written == "":
        return 1.0
    here, there = find(written), find(target)
    if here is None or there is None or here[0] != there[0]:
        return float("nan")
    return here[1] / there[1]


def yes_no(cells: pd.Series) -> Parsed:
    """Yes or no as ``boolean``, in the words of five languages, ticks and 1/0; all but yes, no, true, false are repaired."""
    text = tidy(cells)
    values = each_text(text, lambda one: _TRUTH.get(one.lower()), "boolean")
    mend = "is neither yes nor no; write yes or no, or leave the cell empty if it was not checked."
    problem = unread(text, mend).where(values.isna(), "")
    usual = each_text(text, lambda one: one.lower() in ("", "yes", "no", "true", "false"), "bool")
    return parsed(values, repaired=~usual & (problem == ""), problem=problem)


def choice(cells: pd.Series, options: Sequence[str], synonyms: Mapping[str, str] | None = None) -> Parsed:
    """The word of a list that each cell means, in the spelling of the list; `synonyms` are other words and their option.

    Case, spaces, hyphens, underscores and dots do not matter; a cell in another spelling counts as repaired. A near
    miss is not guessed: `problem` lists the words.
    """
    text = tidy(cells)
    meant = {word_key(word): option for word, option in (synonyms or {}).items()}
    meant |= {word_key(option): option for option in options}
    values = each_text(text, lambda one: meant.get(word_key(one)))
    lost = (text != "") & values.isna()
    left = cast("pd.Series", text[lost])
    complaint = each_text(left, lambda one: _not_listed(one, options))
    problem = placed(pd.Series("", index=text.index, dtype="str"), lost, unread(left, complaint))
    return parsed(values, repaired=(text != "") & (values != text) & (problem == ""), problem=problem)


def _not_listed(text: str, options: Sequence[str]) -> str:
    """The problem of a word that is not on the list."""
    word = text[:40].lower()
    nearest = sorted(options, key=lambda option: -SequenceMatcher(None, word, option.lower()).ratio())
    return f"is not a word of this column; write one of these (the nearest first): {', '.join(nearest)}."

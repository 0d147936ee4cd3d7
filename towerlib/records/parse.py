"""Numbers, yes or no, and words from a list, from cells as crews type them."""

from difflib import SequenceMatcher

import numpy as np
import pandas as pd

from towerlib.records.marks import LONE_POINT, decimal_marks, to_float
from towerlib.records.parsed import each_text, groups, keyboard, parsed, patch, placed, plain_numbers, tidy
from towerlib.records.units import factor, find
from towerlib.records.words import phrases, shown, unread, word_key

_NUMBER = (  # a bound, a number, and what follows it: a unit, or anything else
    r"^(?P<bound>[<>≤≥]=?)?\s*(?P<body>[+-]?[0-9.,' ]*[0-9](?:[eE][+-]?[0-9]{1,3})?)"
    + r"\s*(?P<tail>[^0-9\s.,'].*)?$"
)
_USUAL = {",": r"[+-]?[0-9]*(?:,[0-9]+)?", ".": r"[+-]?[0-9]*(?:\.[0-9]+)?"}
_OVER_RANGE = phrases(
    *("OL", "O.L.", "overload", "overloaded", "over range", "overflow", "ovl", "ovr", "out of range"),
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


def numbers(cells, unit, *, decimal=None):
    """Numbers in the unit of the column.

    Parameters
    ----------
    cells : Series
        Raw cells.
    unit : str
        Unit of the column, such as ``"ohm"``, ``"Ω·m"``, ``"mA"``, ``"m"``, ``"deg"``, ``"%"``; ``"1"`` for
        none. To a unit that `towerlib.records.units` does not know, no unit in a cell converts.
    decimal : {",", ".", None}
        Decimal mark that the file is known to use. A separator ``;`` alone is no proof of a decimal comma.

    Returns
    -------
    Parsed
        Values as float. An over-range word gives NaN with ``">"`` in `censored`, a word for "not measured" a
        blank.

    Notes
    -----
    A number with a point and nothing else (``3.2``, ``1e3``) is the usual form; so is a decimal comma where
    `decimal` says so. All else that can be read counts as repaired: a unit in the cell (converted),
    thousands, ``<0.5`` and ``>2000``, words. Where ``1,234`` may be thousand or decimal, the column decides
    or nobody does: see `towerlib.records.marks.decimal_marks`. Whether 0 stands for "not tested" is not
    decided here.

    Examples
    --------
    >>> read = numbers(pd.Series(["3.2", "4,5", "0,12 kΩ", "<0,5", "3 V", None]), "ohm")
    >>> read.values.tolist()
    [3.2, 4.5, 120.0, 0.5, nan, nan]
    >>> print(read.problem[4])
    '3 V' carries the unit V, and this column is in ohm; check that the reading stands in the right column.
    """
    text = tidy(cells)
    values = plain_numbers(text)
    hard = values.isna() & (text != "")
    if decimal == "," or text[hard].str.contains(",", regex=False).any():
        hard |= text.str.fullmatch(LONE_POINT)  # 1.234 may be a thousand there
    read = parsed(values.mask(hard))
    if not hard.any():
        return read
    return patch(read, hard, _hard_numbers(text[hard], text[~hard], unit, decimal))


def _hard_numbers(text, others, unit, decimal):
    """Readings of the cells that are not plain numbers; `others` are the plain ones of the column."""
    found = groups(keyboard(text), _NUMBER).fillna("")
    marks = decimal_marks(found["body"], others, decimal)
    scale = each_text(found["tail"], lambda tail: factor(tail, unit), "float64")
    values = to_float(found["body"], marks) * scale
    values = values.where(np.isfinite(values))
    usual = text.str.fullmatch(_USUAL[decimal or "."]) & (marks == (decimal or "."))
    bound = found["bound"].str.slice(0, 1).replace({"≤": "<", "≥": ">"})
    read = parsed(values, repaired=~usual, censored=bound)
    lost = values.isna()
    if not lost.any():
        return read
    about = found.assign(text=text, mark=marks, has_scale=scale.notna())[lost]
    return patch(read, lost, _no_numbers(about, unit))


def _no_numbers(about, unit):
    """Cells without a value: beyond the range, not measured, or a problem."""
    text, tail = about["text"], about["tail"]
    is_over = each_text(text, _is_over_range, "bool")
    endless = each_text(text, word_key).isin(_ENDLESS) | (about["mark"].isin([",", "."]) & about["has_scale"])
    other_unit = (
        (about["mark"] != "") & ~about["has_scale"] & each_text(tail, lambda one: bool(find(one)), "bool")
    )
    wanted = "a number" if unit == "1" else f"a number in {unit}"
    mend = "write one number, such as 3.2, or leave the cell empty if nothing was measured."
    problem = (
        unread(text, f"is not {wanted}; {mend}")
        .mask(
            endless, shown(text) + " is no finite number; write >2000 or OL for a reading beyond the range."
        )
        .mask(about["mark"] == "?", _two_readings(text, about["body"]))
        .mask(other_unit, _other_unit(text, tail, unit))
        .mask(is_over, "")
    )
    blank = pd.Series(np.nan, index=text.index)
    return parsed(
        blank, repaired=problem == "", censored=is_over.map({True: ">", False: ""}), problem=problem
    )


def _is_over_range(text):
    """Whether a cell says, with or without a unit, that the instrument was beyond its range."""
    words, _, last = text.rpartition(" ")
    return word_key(text) in _OVER_RANGE or (word_key(words) in _OVER_RANGE and find(last) is not None)


def _two_readings(text, body):
    """What to say of 1,234 where nothing settles the comma."""
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
    """What to say of volts in a column of ohms."""
    column = "takes no unit" if unit == "1" else f"is in {unit}"
    return (
        shown(text) + " carries the unit " + tail + f", and this column {column}; "
        "check that the reading stands in the right column."
    )


def yes_no(cells):
    """Yes or no, in the words of five languages, ticks and 1/0.

    Parameters
    ----------
    cells : Series
        Raw cells.

    Returns
    -------
    Parsed
        Values of type ``boolean``; all but yes, no, true and false counts as repaired.

    Examples
    --------
    >>> read = yes_no(pd.Series(["yes", "Nein", "x", "maybe", None]))
    >>> read.values.tolist()
    [True, False, True, <NA>, <NA>]
    >>> print(read.problem[3])
    'maybe' is neither yes nor no; write yes or no, or leave the cell empty if nobody looked.
    """
    text = tidy(cells)
    values = each_text(text, _truth, "boolean")
    mend = "is neither yes nor no; write yes or no, or leave the cell empty if nobody looked."
    problem = unread(text, mend).where(values.isna(), "")
    usual = each_text(text, lambda one: one.lower() in ("", "yes", "no", "true", "false"), "bool")
    return parsed(values, repaired=~usual & (problem == ""), problem=problem)


def _truth(text):
    """True, False or neither."""
    word = text.lower()
    return True if word in _YES else False if word in _NO else None


def choice(cells, options, synonyms=None):
    """The word of a list that each cell means.

    Parameters
    ----------
    cells : Series
        Raw cells.
    options : sequence of str
        Words that the column may hold.
    synonyms : dict of str to str, optional
        Other words, and the option that each stands for.

    Returns
    -------
    Parsed
        Values as the list spells them. Case, spaces, hyphens, underscores and dots do not matter; a cell
        spelt otherwise than the list counts as repaired. A near miss is not guessed: `problem` lists the
        words.

    Examples
    --------
    >>> options, synonyms = ["leg coils", "no coils"], {"without": "no coils"}
    >>> read = choice(pd.Series(["Leg-Coils", "without", "no coil"]), options, synonyms)
    >>> read.values.tolist()
    ['leg coils', 'no coils', nan]
    >>> print(read.problem[2])
    'no coil' is not a word of this column; write one of these, the nearest first: no coils, leg coils.
    """
    text = tidy(cells)
    meant = {word_key(word): option for word, option in (synonyms or {}).items()}
    meant |= {word_key(option): option for option in options}
    values = each_text(text, lambda one: meant.get(word_key(one)))
    lost = (text != "") & values.isna()
    complaint = each_text(text[lost], lambda one: _not_listed(one, options))
    problem = placed(pd.Series("", index=text.index, dtype="str"), lost, unread(text[lost], complaint))
    return parsed(values, repaired=(text != "") & (values != text) & (problem == ""), problem=problem)


def _not_listed(text, options):
    """What to say of a word that is not on the list."""
    word = text[:40].lower()
    nearest = sorted(options, key=lambda option: -SequenceMatcher(None, word, option.lower()).ratio())
    return f"is not a word of this column; write one of these, the nearest first: {', '.join(nearest)}."

"""What all readers of cells share: the result of reading a column, placeholder text, and the text of cells.

`Parsed` is the result of every reader; `parsed`, `patch` and `placed` build it. `tidy`, `keyboard`, `plain_numbers`,
`groups` and `each_text` prepare and take apart the text of cells. `unread` makes the problem of a cell that no reader
understood, and knows the placeholder text that crews write in place of a value ("n/a", "same as last").
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

_JOINTS = str.maketrans("", "", " .-_/\\<>=\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufeff\u200b")
_SHOWN_LENGTH = 40


def word_key(text: str) -> str:
    """One word or phrase in the form of the word lists: lower case, without dots, spaces, dashes and slashes.

    >>> word_key("N.A."), word_key("nicht gemessen"), word_key("—")
    ('na', 'nichtgemessen', '')
    """
    return text.lower().translate(_JOINTS)


def phrases(*written: str) -> frozenset[str]:
    """A word list in the form of `word_key`."""
    return frozenset(word_key(one) for one in written)


# A cell of dashes alone has the key "".
NOT_MEASURED = phrases(
    *("", "n/a", "nan", "nat", "null", "none", "n.m.", "n.d.", "not measured", "not tested", "not taken"),
    *("not recorded", "not available", "not applicable", "no reading", "no data", "no value"),
    *("n.g.", "nicht gemessen", "nicht geprüft", "keine Messung", "ohne Messung", "keine Angabe"),
    "kein Wert",
    *("non mesuré", "non mesure", "pas mesuré", "pas mesure", "non relevé", "non releve"),
    *("no medido", "sin medir", "sin dato", "sin datos"),
    *("não medido", "nao medido", "sem medição", "sem medicao", "sem dados"),
)
SAME_AS_BEFORE = phrases(
    *("same", "same as last", "same as before", "same as above", "same as previous", "as above", "as before"),
    *("ditto", "do.", '"', "''", "″", "〃", "dito", "idem", "wie vorher", "wie zuvor", "wie oben"),
    *("comme avant", "igual que antes", "igual anterior", "como antes", "como anterior"),
)


def shown(text: pd.Series) -> pd.Series:
    """The text as a sentence quotes it: in quotes, shortened when long."""
    long = text.str.len() > _SHOWN_LENGTH
    return "'" + text.where(~long, text.str.slice(0, _SHOWN_LENGTH) + "…") + "'"


def unread(text: pd.Series, complaint: str | pd.Series) -> pd.Series:
    """The problem of each cell that no reader understood; ``""`` for placeholder text of a missing reading.

    `complaint` is the sentence after the quoted cell: what it is not, and what to write instead.
    """
    key = each_text(text, word_key)
    sentence = shown(text) + " " + complaint
    again = shown(text) + " points to another row; write the value found here, or leave the cell empty."
    return sentence.mask(key.isin(SAME_AS_BEFORE), again).mask(key.isin(NOT_MEASURED), "")


_PLAIN = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"


@dataclass(frozen=True, eq=False)
class Parsed:
    """One column, read cell by cell. Each cell is a value, a blank or a problem, never two of them.

    `repaired` cells needed interpretation and are listed with the text as written. `censored` is ``"<"`` or ``">"``
    where the true value lies below or above the reading; an exceeded range without a value is NaN. `problem` says how
    to mend the cell.
    """

    values: pd.Series
    repaired: pd.Series
    censored: pd.Series
    problem: pd.Series


def parsed(
    values: pd.Series,
    *,
    repaired: bool | pd.Series = False,
    censored: str | pd.Series = "",
    problem: str | pd.Series = "",
) -> Parsed:
    """One `Parsed` from values and their properties, for all cells or for each."""
    index = values.index
    return Parsed(
        values,
        pd.Series(repaired, index=index, dtype=bool),
        pd.Series(censored, index=index, dtype="str"),
        pd.Series(problem, index=index, dtype="str"),
    )


def patch(whole: Parsed, where: pd.Series, part: Parsed) -> Parsed:
    """The readings of `whole` with those of `part` in the places `where`, in the same order; arguments stay as they are."""
    return Parsed(
        *(placed(getattr(whole, name), where, getattr(part, name)) for name in Parsed.__dataclass_fields__)
    )


def placed(column: pd.Series, where: pd.Series, cells: pd.Series) -> pd.Series:
    """The column with other cells in the places `where`; positions count, not labels, since the index may have duplicates."""
    column = column.copy()
    column[where.to_numpy(bool)] = cells.array
    return column


def tidy(cells: pd.Series) -> pd.Series:
    """Text of the cells without surrounding white space; ``""`` where blank."""
    return cells.astype("str").fillna("").str.strip()


def keyboard(text: pd.Series) -> pd.Series:
    """The text (from `tidy`) in the characters of a plain keyboard: minus signs, primes, spaces."""
    odd = text.str.contains("[^ -_a-~]|''|  ")
    typed = cast("Any", text[odd])
    for pattern, character in (
        ("[\u2010\u2011\u2012\u2013\u2212\ufe63\uff0d]", "-"),
        ("[\u2018\u2019\u02bc\u00b4`\u2032]", "'"),
        ("[\u201c\u201d\u2033]|''", '"'),
        ("[\u00ba\u02da]", "°"),
        ("[ \t\r\n\f\v\u00a0\u1680\u2000-\u200a\u202f\u205f\u3000]+", " "),
        ("[\u200b-\u200f\u2060\ufeff]", ""),
    ):
        typed = typed.str.replace(pattern, character, regex=True)
    return placed(text, odd, typed.str.strip())


def plain_numbers(text: pd.Series) -> pd.Series:
    """Finite numbers with or without a decimal point and nothing else; NaN for every other text (from `tidy`).

    Digits of other scripts, ``inf``, ``1_000`` and hexadecimal numbers are not plain. ``pandas.to_numeric`` reads about
    the same cells, but more slowly.

    >>> plain_numbers(pd.Series(["3.2", "1e3", "3,2", "inf"])).tolist()
    [3.2, 1000.0, nan, nan]
    """
    written = text.where(text.str.fullmatch(_PLAIN))
    numbers = pc.cast(pa.array(written, type=pa.large_string()), "float64").to_numpy(zero_copy_only=False)
    return pd.Series(np.where(np.isfinite(numbers), numbers, np.nan), index=text.index)


def groups(text: pd.Series, pattern: str) -> pd.DataFrame:
    """The named groups of a pattern without look-around, one column each: NA without a match, ``""`` for an unused group.

    ``Series.str.extract`` does the same through a Python loop, some six times slower.
    """
    options = pc.ExtractRegexOptions(pattern)
    found = pc.call_function("extract_regex", [pa.array(text, type=pa.large_string())], options)
    columns = {
        field.name: pd.array(column, dtype="str")
        for field, column in zip(found.type, found.flatten(), strict=True)
    }
    return pd.DataFrame(columns, index=text.index)


def each_text(text: pd.Series, reading: Callable[[str], Any], dtype: str = "str") -> pd.Series:
    """A reading of every cell, computed once per distinct text (none of them NA)."""
    codes, distinct = pd.factorize(text)
    readings = pd.Series([reading(one) for one in distinct.tolist()], dtype=dtype)
    return pd.Series(readings.array[codes], index=text.index)

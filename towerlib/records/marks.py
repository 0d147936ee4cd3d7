"""Which mark is the decimal one: told by the form of each number, else by the other cells of its column."""

import pandas as pd

from towerlib.records.parsed import plain_numbers

_EXPONENT = r"(?:[eE][+-]?[0-9]{1,3})?"
_LAKHS = r"[0-9]{1,2}(?:,[0-9]{2})+,[0-9]{3}"  # grouping of the Indian subcontinent: 1,25,000
# Forms in which only one mark can be the decimal one, but for the lone thousand below, which fits them too.
_COMMA = "|".join(
    (
        r"[+-]?(?:[0-9]*|[0-9]{1,3}(?:[ .'][0-9]{3})+),[0-9]+" + _EXPONENT,
        r"[+-]?[0-9]{1,3}(?:\.[0-9]{3}){2,}",
    )
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


def decimal_marks(numbers, others, decimal=None):
    """Decimal mark of each number, ``"?"`` where nothing settles it, ``""`` where it is no number.

    Parameters
    ----------
    numbers : Series of str
        Numbers without unit, in the characters of a plain keyboard.
    others : Series of str
        The other cells of the column, plain numbers with a point or none: evidence too.
    decimal : {",", ".", None}
        The mark that the file is known to use.

    Returns
    -------
    Series of str
        ``","``, ``"."``, ``"?"`` or ``""``, with the index of `numbers`.

    Notes
    -----
    Most forms tell by themselves: 3,2 and 1.234,5 have a decimal comma; 3.2, 1,234.5 and 1,234,567 a decimal
    point. Only one to three digits, a mark and three digits (1,234 or 1.234) can be either. There `decimal`
    and the other cells decide. Where they use both marks, or where 1,234 stands without any evidence, it
    stays open; 1.234 without evidence of a decimal comma has a decimal point.

    Examples
    --------
    >>> decimal_marks(pd.Series(["3,2", "1,234", "1.234"]), pd.Series([], dtype="str")).tolist()
    [',', ',', ',']
    >>> decimal_marks(pd.Series(["1,234", "1.234"]), pd.Series([], dtype="str")).tolist()
    ['?', '.']
    """
    lone_comma, lone_point = numbers.str.fullmatch(_LONE_COMMA), numbers.str.fullmatch(LONE_POINT)
    comma = numbers.str.fullmatch(_COMMA) & ~lone_comma
    point = numbers.str.fullmatch(_POINT) & ~lone_point
    comma_used = decimal == "," or comma.any()
    point_used = decimal == "." or point.any() or _with_point(others)
    marks = pd.Series("", index=numbers.index, dtype="str")
    marks[comma] = ","
    marks[point | numbers.str.fullmatch(_WHOLE)] = "."
    marks[lone_comma] = _mark_of_comma(comma_used, point_used, decimal)
    marks[lone_point] = _mark_of_point(comma_used, point_used, decimal)
    return marks


def _with_point(others):
    """Whether plain numbers have a point that no thousand can have."""
    return bool((others.str.contains(".", regex=False) & ~others.str.fullmatch(LONE_POINT)).any())


def _mark_of_comma(comma_used, point_used, decimal):
    """Decimal mark of the form 1,234."""
    if comma_used and (decimal == "," or not point_used):
        return ","
    return "." if point_used and not comma_used else "?"


def _mark_of_point(comma_used, point_used, decimal):
    """Decimal mark of the form 1.234."""
    if decimal == "." or not comma_used:
        return "."
    return "?" if point_used else ","


def to_float(numbers, marks):
    """Numbers by their decimal marks.

    Parameters
    ----------
    numbers, marks : Series of str
        As `decimal_marks` takes and gives them.

    Returns
    -------
    Series of float
        NaN where there is no mark, or none that is settled.

    Examples
    --------
    >>> to_float(pd.Series(["1.234,5", "1'234.5", "1,234"]), pd.Series([",", ".", "?"])).tolist()
    [1234.5, 1234.5, nan]
    """
    with_comma = numbers.str.replace("[ .']", "", regex=True).str.replace(",", ".", regex=False)
    with_point = numbers.str.replace("[ ,']", "", regex=True)
    plain = with_point.where(marks == ".", with_comma.where(marks == ",", ""))
    return plain_numbers(plain)

"""Numbers, units, money, plurals and lists of names as people read them; the only place.

Readings keep up to three figures (`plain`), estimates two (`significant`, `interval`). Thousands are grouped by a thin
space on pages and in pictures; a file passes ``mark=""``. Names from records stay on one line (`one_line`) and keep
their own direction of writing on pages (`isolated`).
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable
from textwrap import fill

THIN = NARROW = "\u202f"  # between groups of digits; no line breaks at it
BLANK = "\u00a0"  # between a number and its unit; no line breaks at it
NONE = "–"  # where there is no number
MANY = 6  # names in one sentence
WIDTH = 110  # characters of a line of text
NOT_SHOWN = ("Cc", "Cs", "Cn", "Co")  # Unicode categories of control signs and of what no font has
NEXT_TO_NOTHING = 1e-6  # what rounding leaves of nothing


def plain(number: float) -> str:
    """Up to three figures of a number, never with an exponent: for readings and axes.

    >>> plain(48.26), plain(0.05), plain(12345.0)
    ('48.3', '0.05', '12345')
    """
    number = number + 0.0  # no "−0"
    return (f"{number:.0f}" if abs(number) >= 100 else f"{number:.3g}").replace("-", "−")


def rough(number: float) -> str:
    """Two figures at most of a number as `plain` writes it; a dash where there is none.

    >>> rough(5.7848), rough(8.0), rough(557.2), rough(float("nan"))
    ('5.8', '8', '560', '–')
    """
    return plain(float(f"{number:.2g}")) if math.isfinite(number) else NONE


def significant(number: float | None, digits: int = 2, mark: str = THIN) -> str:
    """A number to so many significant figures, without powers of ten, for estimates; a dash where there is none.

    `mark` stands between groups of three digits and is blank in files.

    >>> significant(5.7848), significant(8.0), significant(557.2), significant(float("nan"))
    ('5.8', '8.0', '560', '–')
    """
    if number is None or not math.isfinite(number):
        return NONE
    if abs(number) < NEXT_TO_NOTHING:
        return "0"
    rounded = float(f"{number:.{digits}g}")
    if abs(rounded) >= 1000:
        return grouped(rounded, mark=mark)
    decimals = digits - 1 - math.floor(math.log10(abs(rounded)))
    return f"{rounded:.{max(0, decimals)}f}"


def figure(value: float, digits: int = 2) -> str:
    """As `significant`, for texts that also go to files: no thin space between groups of digits.

    >>> figure(5572.0), figure(0.0612), figure(12.34, 3)
    ('5600', '0.061', '12.3')
    """
    return significant(value, digits, mark="")


def interval(
    middle: float | None, low: float | None, high: float | None, unit: str = "", digits: int = 2
) -> str:
    """A figure with the ends of its interval.

    >>> interval(5.78, 4.23, 7.58, "a year").replace(BLANK, " ")
    '5.8 a year (4.2–7.6)'
    """
    text = significant(middle, digits) + (f"{BLANK}{unit}" if unit else "")
    between = ends(low, high, digits)
    return f"{text} ({between})" if between else text


def ends(low: float | None, high: float | None, digits: int = 2) -> str:
    """The ends of an interval; blank where one of them is not known.

    >>> ends(4.23, 7.58), ends(-1.0, 2.0), ends(1.0, float("inf"))
    ('4.2–7.6', '-1.0 to 2.0', '')
    """
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return ""
    dash = " to " if low < 0 else "–"
    return f"{significant(low, digits)}{dash}{significant(high, digits)}"


def grouped(amount: float, digits: int = 0, mark: str = " ") -> str:
    """An amount with its digits in groups of three: `digits` behind the point, `mark` between the groups.

    >>> grouped(249477.0), grouped(1234.56, 1)
    ('249 477', '1 234.6')
    """
    return f"{amount:,.{digits}f}".replace(",", mark)


def money(amount: float, currency: str | None = None, digits: int | None = None) -> str:
    """An amount of money: whole, or an estimate to so many significant figures.

    The currency is left out where it is None, and named as missing where it is blank.

    >>> money(249477.0, "EUR").split(), money(52063.0, "EUR", digits=2).split(), money(float("nan"))
    (['249', '477', 'EUR'], ['52', '000', 'EUR'], '–')
    """
    if not math.isfinite(amount):
        return NONE
    text = grouped(amount, mark=THIN) if digits is None else significant(amount, digits)
    return text if currency is None else f"{text}{BLANK}{currency or '(no currency set)'}"


def percent(part: float, whole: float = 1.0) -> str:
    """A part of a whole in percent; a dash of nothing.

    >>> percent(1, 8).replace(BLANK, " "), percent(0.004).replace(BLANK, " "), percent(0, 0)
    ('12 %', '0.4 %', '–')
    """
    if not whole or not math.isfinite(part / whole):
        return NONE
    share = 100 * part / whole
    digits = 1 if 0.05 <= abs(share) < 0.5 else 0
    return f"{share + 0.0:.{digits}f}{BLANK}%"


def gain(fraction: float) -> str:
    """A gain in words.

    >>> [gain(fraction).replace(BLANK, " ") for fraction in (0.15, -0.02, 0.0)]
    ['15 % more', '2 % less', 'no more']
    """
    if abs(fraction) < 5e-4:
        return "no more"
    return f"{percent(abs(fraction))} {'more' if fraction > 0 else 'less'}"


def counted(number: int, noun: str, plural: str = "") -> str:
    """A number with its noun, in the plural where there is not one; a blank plural takes an s.

    >>> counted(1, "tower"), counted(3, "price row"), counted(2, "visit by a crew", "visits by crews")
    ('1 tower', '3 price rows', '2 visits by crews')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def listed(names: Iterable[object], most: int = MANY, between: str = ", ") -> str:
    """The first few names, and how many more.

    >>> listed(["T1", "T2", "T3"], most=2)
    'T1, T2 and 1 more'
    """
    shown = [one_line(name) for name in names]
    more = f" and {len(shown) - most} more" if len(shown) > most else ""
    return between.join(shown[:most]) + more


def named(names: Iterable[object], most: int = MANY) -> str:
    """As `listed`, each name in its own direction of writing: for sentences on pages.

    >>> named(["1", "2", "3"], most=2)
    '1, 2 and 1 more'
    """
    return listed((isolated(str(name)) for name in names), most)


def first_lines(lines: Iterable[str], most: int, place: str = "") -> list[str]:
    """The first lines of a list, and a line that says how many more there are and where.

    >>> first_lines(["a", "b", "c"], 1, "all in rejected-rows.csv")
    ['a', '… and 2 more, all in rejected-rows.csv']
    """
    lines = list(lines)
    where = f", {place}" if place else ""
    return lines[:most] + ([f"… and {len(lines) - most} more{where}"] if len(lines) > most else [])


def isolated(name: str) -> str:
    """A name between marks of direction where it has letters written from right to left, for use in a sentence.

    >>> isolated("12A"), len(isolated("\u05d0")) - 1
    ('12A', 2)
    """
    leftward = any(unicodedata.bidirectional(letter) in ("R", "AL", "AN", "RLE", "RLO") for letter in name)
    return f"\u2068{name}\u2069" if leftward else name


def one_line(text: object) -> str:
    r"""Text without line breaks and control signs, so that one label stays one line.

    >>> one_line("T12\nbis\x01")
    'T12 bis'
    """
    line = " ".join(str(text).split())
    if line.isprintable():
        return line
    return "".join(sign for sign in line if unicodedata.category(sign) not in NOT_SHOWN)


def with_ohm_sign(text: str) -> str:
    """A text of the records' rules, which spell out the unit, with the sign of the unit as pages write it.

    >>> with_ohm_sign("1600 ohm to earth, up to 50 kohm")
    '1600 Ω to earth, up to 50 kΩ'
    """
    return re.sub(r"(?<=\d )(k?)ohm\b", r"\1Ω", text)


def sentence(text: object) -> str:
    """A text that begins with a capital and ends with a stop.

    >>> sentence("no rate at 2 towers")
    'No rate at 2 towers.'
    """
    text = re.sub(r"[ \t\r\n]+", " ", str(text)).strip()  # blanks at which no line breaks stay
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) or not text else ".")


def wrapped(parts: Iterable[str], width: int = WIDTH) -> str:
    r"""Paragraphs of a readable width; blank ones are left out.

    >>> wrapped(["a", "", "b"])
    'a\nb'
    """
    return "\n".join(fill(part, width, subsequent_indent="  ") for part in parts if part)

"""Small words that sentences share."""

import math
import re
import unicodedata
from textwrap import fill

import numpy as np


def counted(count, noun):
    """A number with its noun, in the plural where there is not one.

    Parameters
    ----------
    count : int
    noun : str
        In the singular; the plural takes an s.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "tower"), counted(3, "price row")
    ('1 tower', '3 price rows')
    """
    return f"{count} {noun}{'' if count == 1 else 's'}"


def grouped(amount, digits=0, mark=" "):
    """An amount with its digits in groups of three.

    Parameters
    ----------
    amount : float
    digits : int
        Behind the point.
    mark : str
        Between the groups; pages take a narrow space that does not break.

    Returns
    -------
    str

    Examples
    --------
    >>> grouped(249477.0), grouped(1234.56, 1)
    ('249 477', '1 234.6')
    """
    return f"{amount:,.{digits}f}".replace(",", mark)


def figure(value, digits=2):
    """A number to so many significant figures, without powers of ten.

    Parameters
    ----------
    value : float
        Finite.
    digits : int
        Significant figures.

    Returns
    -------
    str

    Examples
    --------
    >>> figure(557.2), figure(0.0612), figure(12.34, 3)
    ('560', '0.061', '12.3')
    """
    return f"{float(f'{value:.{digits}g}') + 0.0:.10g}"  # + 0.0: no minus before a nought


NARROW = "\u202f"  # a narrow space at which no line breaks


def money(amount, currency=""):
    """An amount in groups of three digits, with its currency.

    Parameters
    ----------
    amount : float
    currency : str

    Returns
    -------
    str

    Examples
    --------
    >>> money(249477.0, "EUR").split(), money(float("nan"))
    (['249', '477', 'EUR'], '-')
    """
    if not np.isfinite(amount):
        return "-"
    return grouped(amount, mark=NARROW) + (f"{NARROW}{currency}" if currency else "")


def share(gain):
    """A gain in words.

    Parameters
    ----------
    gain : float
        Part of what it is held against.

    Returns
    -------
    str

    Examples
    --------
    >>> share(0.15), share(-0.02), share(0.0)
    ('15% more', '2% less', 'no more')
    """
    if abs(gain) < 5e-4:
        return "no more"
    if abs(gain) < 0.005:
        return f"{gain:.1%} more" if gain > 0 else f"{-gain:.1%} less"
    return f"{gain:.0%} more" if gain >= 0 else f"{-gain:.0%} less"


def two(number):
    """Two figures: more would promise too much.

    Parameters
    ----------
    number : float

    Returns
    -------
    str

    Examples
    --------
    >>> two(2.4422)
    '2.4'
    """
    return plain(float(f"{number:.2g}"))


def rounded(amount):
    """Two figures of an amount.

    Parameters
    ----------
    amount : float

    Returns
    -------
    float

    Examples
    --------
    >>> rounded(7802.9)
    7800.0
    """
    return float(f"{amount:.2g}")


def wrapped(parts):
    r"""Paragraphs of a readable width.

    Parameters
    ----------
    parts : iterable of str
        Blank ones are left out.

    Returns
    -------
    str

    Examples
    --------
    >>> wrapped(["a", "", "b"])
    'a\nb'
    """
    return "\n".join(fill(part, 110, subsequent_indent="  ") for part in parts if part)


THIN, BLANK = "\u202f", "\u00a0"  # between groups of digits; between a number and its unit
NEXT_TO_NOTHING = 1e-6  # what rounding leaves of nothing
MANY = 6  # names in one sentence


def significant(number, digits=2):
    """A number to so many figures: more would promise too much.

    Parameters
    ----------
    number : float
    digits : int

    Returns
    -------
    str
        A dash where there is no number.

    Examples
    --------
    >>> significant(5.7848), significant(8.0), significant(float("nan"))
    ('5.8', '8.0', '–')
    """
    if number is None or not math.isfinite(number):
        return "–"
    if abs(number) < NEXT_TO_NOTHING:
        return "0"
    size = math.floor(math.log10(abs(number)))
    rounded = round(number, digits - 1 - size)
    if abs(rounded) >= 1000:
        return grouped(rounded, mark=THIN)
    if abs(rounded) < 0.001:
        return plain(rounded)
    size = math.floor(math.log10(abs(rounded)))
    return f"{rounded:.{max(0, digits - 1 - size)}f}"


def band(middle, low, high, unit="", digits=2):
    """A figure with the ends of its band.

    Parameters
    ----------
    middle, low, high : float
    unit : str
    digits : int
        Figures kept.

    Returns
    -------
    str

    Examples
    --------
    >>> band(5.78, 4.23, 7.58, "a year").replace(BLANK, " ")
    '5.8 a year (4.2 to 7.6)'
    """
    text = significant(middle, digits) + (f"{BLANK}{unit}" if unit else "")
    known = all(end is not None and math.isfinite(end) for end in (low, high))
    return f"{text} ({significant(low, digits)} to {significant(high, digits)})" if known else text


def money_estimate(amount, currency):
    """An amount to two figures with its currency.

    Parameters
    ----------
    amount : float
    currency : str
        Blank where the settings name none.

    Returns
    -------
    str

    Examples
    --------
    >>> money_estimate(52063.0, "EUR").replace(THIN, " ").replace(BLANK, " ")
    '52 000 EUR'
    """
    return f"{significant(amount)}{BLANK}{currency or '(no currency set)'}"


def count(number, word, words=""):
    """How many of what.

    Parameters
    ----------
    number : int
    word, words : str
        One of them, and several: the word with an s where that is blank.

    Returns
    -------
    str

    Examples
    --------
    >>> count(1, "tower").replace(BLANK, " "), count(2, "bond").replace(BLANK, " ")
    ('1 tower', '2 bonds')
    """
    return f"{number:d}{BLANK}{word if number == 1 else words or word + 's'}"


def percent_of(part, whole):
    """A part in percent; a dash of nothing.

    Parameters
    ----------
    part, whole : float

    Returns
    -------
    str

    Examples
    --------
    >>> percent_of(1, 8).replace(BLANK, " "), percent_of(0, 0)
    ('12 %', '–')
    """
    return f"{100 * part / whole:.0f}{BLANK}%" if whole else "–"


def isolated(name):
    """A name that keeps its own direction of writing inside a sentence.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
        Between the marks for it where it has letters written from right to left.

    Examples
    --------
    >>> isolated("12A"), len(isolated("\u05d0")) - 1
    ('12A', 2)
    """
    leftward = any(unicodedata.bidirectional(letter) in ("R", "AL", "AN", "RLE", "RLO") for letter in name)
    return f"\u2068{name}\u2069" if leftward else name


def named(names, most=MANY):
    """The first few names, and how many more.

    Parameters
    ----------
    names : iterable of str
    most : int

    Returns
    -------
    str

    Examples
    --------
    >>> named(["1", "2", "3"], most=2)
    '1, 2 and 1 more'
    """
    names = [isolated(str(name)) for name in names]
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def sentence(text):
    """A text that begins with a capital and ends with a stop.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> sentence("no rate at 2 towers")
    'No rate at 2 towers.'
    """
    text = re.sub(r"[ \t\r\n]+", " ", str(text)).strip()  # blanks at which no line breaks stay
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) or not text else ".")


def plain(number):
    """Three figures of a number, never with an exponent.

    Parameters
    ----------
    number : float
        Any number.

    Returns
    -------
    str

    Examples
    --------
    >>> plain(48.26), plain(0.05), plain(12345.0)
    ('48.3', '0.05', '12345')
    """
    number = number + 0.0  # no "−0"
    return (f"{number:.0f}" if abs(number) >= 100 else f"{number:.3g}").replace("-", "−")


def one_line(text):
    r"""Text without line breaks, so that one label stays one line.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str

    Examples
    --------
    >>> one_line("T12\nbis")
    'T12 bis'
    """
    return " ".join(str(text).split())


def listed(ids, most=6):
    """First few ids in words, and how many more.

    Parameters
    ----------
    ids : iterable of str
        Tower ids.
    most : int
        How many to name.

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["T1", "T2", "T3"], most=2)
    'T1, T2 and 1 more'
    """
    ids = [one_line(name) for name in ids]
    more = f" and {len(ids) - most} more" if len(ids) > most else ""
    return ", ".join(ids[:most]) + more

"""How the page of a line writes figures: two digits, a unit, a band where there is one."""

import math
import re
import unicodedata

from towerlib.language import grouped
from towerlib.publish.lettering import plain

THIN, BLANK = "\u202f", "\u00a0"  # between groups of digits; between a number and its unit
NEXT_TO_NOTHING = 1e-6  # what rounding leaves of nothing
MANY = 6  # names in one sentence


def two(number, digits=2):
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
    >>> two(5.7848), two(8.0), two(float("nan"))
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
    text = two(middle, digits) + (f"{BLANK}{unit}" if unit else "")
    known = all(end is not None and math.isfinite(end) for end in (low, high))
    return f"{text} ({two(low, digits)} to {two(high, digits)})" if known else text


def money(amount, currency):
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
    >>> money(52063.0, "EUR").replace(THIN, " ").replace(BLANK, " ")
    '52 000 EUR'
    """
    return f"{two(amount)}{BLANK}{currency or '(no currency set)'}"


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


def share(part, whole):
    """A part in percent; a dash of nothing.

    Parameters
    ----------
    part, whole : float

    Returns
    -------
    str

    Examples
    --------
    >>> share(1, 8).replace(BLANK, " "), share(0, 0)
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

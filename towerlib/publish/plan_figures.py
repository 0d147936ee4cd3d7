"""How the words of the plan write money, gains and paragraphs."""

from textwrap import fill

import numpy as np

from towerlib.language import grouped
from towerlib.publish.lettering import plain

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

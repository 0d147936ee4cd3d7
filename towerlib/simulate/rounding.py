"""Numbers as instruments and registers show them."""

import numpy as np


def significant(values, digits=3):
    """Numbers rounded to significant digits.

    Parameters
    ----------
    values : float or array
        Any numbers; zero, NaN and inf stay as they are.
    digits : int
        Significant digits.

    Returns
    -------
    array

    Examples
    --------
    >>> print(significant([12.345, 0.98765, 1234.5]).tolist())
    [12.3, 0.988, 1230.0]
    """
    values = np.asarray(values, float)
    size = np.where(np.isfinite(values) & (values != 0), np.abs(values), 1.0)
    places = digits - 1 - np.floor(np.log10(size)).astype(int)
    # Powers of ten above 1 are exact, those below are not: divide by the one or by the other.
    scale = 10.0 ** np.abs(places)
    return np.where(places < 0, np.round(values / scale) * scale, np.round(values * scale) / scale)


def yes_no(flags):
    """Booleans in the words of the records.

    Examples
    --------
    >>> yes_no([True, False]).tolist()
    ['yes', 'no']
    """
    return np.where(flags, "yes", "no")


def blank_but(known, values):
    """Values where something is known, NaN elsewhere.

    Examples
    --------
    >>> blank_but([True, False], [1.0, 2.0]).tolist()
    [1.0, nan]
    """
    return np.where(known, values, np.nan)

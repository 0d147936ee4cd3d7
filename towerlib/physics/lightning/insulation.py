"""Strength of the insulation: standard wave, short tail of a stroke to a tower, and over time."""

import numpy as np

from towerlib.values import number


def flashover_voltage(strike_length_m):
    """50 % flashover voltage of an insulator or gap for the standard lightning impulse.

    Parameters
    ----------
    strike_length_m : float or array
        Shortest path in air [m]: between the arcing horns where there are any; neither creepage distance nor BIL.

    Returns
    -------
    float or array
        560 kV/m · L [kV]: conductor positive against the tower, as a negative stroke makes it.

    References
    ----------
    Hileman (1999); CIGRE Technical Brochure 63 (1991); from memory.

    Examples
    --------
    >>> print(flashover_voltage(1.31))
    733.6
    """
    return number("flashover_positive_kv_m") * np.asarray(strike_length_m, float)


def short_tail_factor(tail_us, cap=None):
    """Strength against the short-tailed stress at a tower, over that against the standard wave.

    Parameters
    ----------
    tail_us : float or array
        Time constant of the tail, τ = Ts·Zg/Ri [µs].
    cap : float, optional
        Highest factor; else ``short_tail_cap``, reached below 6.7 µs. inf for none.

    Returns
    -------
    float or array
        0.977 + 2.82/τ, meant for 10 to 100 µs; below it would grow without end, and very high footings would
        look stronger than they are.

    References
    ----------
    Hileman (1999), ch. 10, after CIGRE Technical Brochure 63 (1991); from memory. The cap is our own.

    Examples
    --------
    >>> print(short_tail_factor([10.0, 100.0, 2.0]))
    [1.259  1.0052 1.4   ]
    """
    cap = number("short_tail_cap") if cap is None else cap
    with np.errstate(divide="ignore"):
        return np.minimum(0.977 + 2.82 / np.asarray(tail_us, float), cap)


def volt_time_strength(strike_length_m, time_us):
    """Voltage that flashes an insulator over after a time.

    Parameters
    ----------
    strike_length_m : float or array
        [m].
    time_us : float or array
        0.5 to 16 [µs]; NaN outside.

    Returns
    -------
    float or array
        (400 + 710/t^0.75)·L [kV].

    References
    ----------
    IEEE Std 1243-1997; Anderson (1982), ch. 12; from memory.

    Examples
    --------
    >>> print(volt_time_strength(1.0, [2.0, 6.0]).round())
    [822. 585.]
    """
    time_us = np.asarray(time_us, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        strength_kv = (400.0 + 710.0 / time_us**0.75) * strike_length_m
    return np.where((time_us >= 0.5) & (time_us <= 16.0), strength_kv, np.nan)

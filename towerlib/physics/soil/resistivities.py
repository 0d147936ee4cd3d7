"""Resistivity of many readings as one number, and what kinds of soil usually have: for screening only."""

import numpy as np

from towerlib.values import number

KINDS = ("marsh", "loam", "sand", "gravel", "weathered rock", "sandstone", "granite", "moraine")


def geometric_mean(resistivity_ohm_m):
    """Geometric mean of resistivities, which scatter by factors.

    Parameters
    ----------
    resistivity_ohm_m : array
        Resistivities [Ω·m]; NaN where unknown.

    Returns
    -------
    float
        exp of the mean of ln ρ over the known ones [Ω·m]; NaN without any.

    References
    ----------
    Lognormal scatter of soil resistivity: common practice.

    Examples
    --------
    >>> print(geometric_mean([100.0, 1000.0, np.nan]))
    316.23
    """
    known = _known(resistivity_ohm_m)
    return float(np.exp(np.mean(np.log(known)))) if known.size else np.nan


def log_spread(resistivity_ohm_m):
    """Standard deviation of ln ρ.

    Parameters
    ----------
    resistivity_ohm_m : array
        Resistivities [Ω·m]; NaN where unknown.

    Returns
    -------
    float
        Of the known ones, with n − 1; NaN with fewer than two.

    Examples
    --------
    >>> print(log_spread([100.0, 1000.0]))
    1.628
    """
    known = _known(resistivity_ohm_m)
    return float(np.std(np.log(known), ddof=1)) if known.size > 1 else np.nan


def typical_resistivity(kind):
    """Range in which a kind of soil usually lies: for a first look, never for a budget.

    Parameters
    ----------
    kind : str
        One of `KINDS`.

    Returns
    -------
    tuple of float
        Low and high resistivity [Ω·m].

    Raises
    ------
    ValueError
        A kind that is not on the list.

    References
    ----------
    EN 50522 Table J.1, from memory.

    Examples
    --------
    >>> typical_resistivity("loam")
    (20.0, 200.0)
    """
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is no kind of soil known here: {', '.join(KINDS)}")
    name = kind.replace(" ", "_")
    return number(f"soil_{name}_low_ohm_m"), number(f"soil_{name}_high_ohm_m")


def _known(resistivity_ohm_m):
    """Resistivities without the unknown ones, each checked to be greater than 0."""
    known = np.ravel(np.asarray(resistivity_ohm_m, float))
    known = known[~np.isnan(known)]
    if np.any(known <= 0):
        raise ValueError("a resistivity must be greater than 0 ohm m")
    return known

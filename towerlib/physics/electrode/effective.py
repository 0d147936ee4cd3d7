"""Length of a buried radial that still counts for lightning."""

import numpy as np

from towerlib.values import number

CREDIT_RESISTIVITIES = (100, 300, 500, 1000, 2000, 4000)
LAID_RESISTIVITIES = (500, 1000, 2000, 5000)


def credited_length(resistivity_ohm_m, length_m):
    """Length of a radial that may be counted on for a first stroke.

    Parameters
    ----------
    resistivity_ohm_m, length_m : float or array
        Resistivity of the soil [Ω·m], length of the wire [m].

    Returns
    -------
    float or array
        Length [m], never above that of the wire.

    Notes
    -----
    The lower of the length and of the one that brings peak voltage over peak current within 3 % of its least
    for a front of 3.7 µs: from 22 m in 100 Ω·m to 155 m in 4000 Ω·m, in between by logarithms, and as the root of
    the resistivity beyond. Published formulas differ by factors, since their definitions do.

    References
    ----------
    Own computation: lossy line with frequency-dependent soil (`radial_credit_…` of the values).

    Examples
    --------
    >>> print(credited_length([100.0, 1000.0], 60.0))
    [22. 60.]
    """
    resistivity_ohm_m = np.asarray(resistivity_ohm_m, float)
    if np.any(resistivity_ohm_m <= 0) or np.any(np.asarray(length_m) <= 0):
        raise ValueError("resistivity and length of a radial must be greater than 0")
    steps = np.array(CREDIT_RESISTIVITIES, float)
    credits_m = np.array([number(f"radial_credit_{step}_ohm_m") for step in CREDIT_RESISTIVITIES])
    inside = np.clip(resistivity_ohm_m, steps[0], steps[-1])
    credit_m = np.exp(np.interp(np.log(inside), np.log(steps), np.log(credits_m)))
    return np.minimum(length_m, credit_m * np.sqrt(resistivity_ohm_m / inside))


def laid_length_limit(resistivity_ohm_m):
    """Longest radial that tower practice lays in a soil.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].

    Returns
    -------
    float or array
        Length of one radial [m]; NaN above 5000 Ω·m, where the practice names none.

    References
    ----------
    GB 50169-2016, 4.7 and DL/T 621 (limits from memory): 40, 60, 80, 100 m up to 500, 1000, 2000, 5000 Ω·m.

    Examples
    --------
    >>> print(laid_length_limit([300.0, 1500.0, 9000.0]))
    [40. 80. nan]
    """
    limits_m = [number(f"radial_laid_{step}_ohm_m") for step in LAID_RESISTIVITIES]
    resistivity_ohm_m = np.asarray(resistivity_ohm_m, float)
    return np.append(limits_m, np.nan)[np.searchsorted(LAID_RESISTIVITIES, resistivity_ohm_m)]


def effective_length_by_current(resistivity_ohm_m, front_us, current_ka):
    """Effective length of a radial by a published fit to impulse measurements.

    Parameters
    ----------
    resistivity_ohm_m, front_us, current_ka : float or array
        Resistivity [Ω·m], front of the current [µs], its peak [kA].

    Returns
    -------
    float or array
        Length [m].

    Notes
    -----
    6.528·(ρτ)^0.379/I^0.097.

    References
    ----------
    J. He, Y. Gao, R. Zeng et al., IEEE Trans. PWRD 20(2) (2005), from memory.

    Examples
    --------
    >>> print(effective_length_by_current(1000.0, 3.8, 30.0))
    106.7
    """
    product = np.asarray(resistivity_ohm_m, float) * np.asarray(front_us, float)
    return 6.528 * product**0.379 / np.asarray(current_ka, float) ** 0.097


def effective_length_by_front(resistivity_ohm_m, front_us):
    """Length of a radial up to which its impulse impedance is its resistance.

    Parameters
    ----------
    resistivity_ohm_m, front_us : float or array
        Resistivity [Ω·m], zero-to-peak time of the current [µs].

    Returns
    -------
    float or array
        Length [m].

    Notes
    -----
    (1 − β)/α with α = 0.025 + exp[−0.82·(ρT)^0.257], β = 0.17 + exp[−0.22·(ρT)^0.555].

    References
    ----------
    L. Grcev, IEEE Trans. PWRD 24(1) (2009), from memory.

    Examples
    --------
    >>> print(effective_length_by_front(1000.0, 3.8))
    31.9
    """
    product = np.asarray(resistivity_ohm_m, float) * np.asarray(front_us, float)
    alpha = 0.025 + np.exp(-0.82 * product**0.257)
    return (1 - 0.17 - np.exp(-0.22 * product**0.555)) / alpha

"""What gap the coils can prove: limit of z, limits of the gap, and the sum under which nothing is judged."""

import numpy as np
from scipy.special import ndtri

from towerlib.physics.gaps import DEFAULT_COILS, gap_reach, gap_uncertainty, leg_sum
from towerlib.values import number


def z_limit(false_alarm):
    """One-sided limit that z of a tower without a gap passes with the given probability.

    Parameters
    ----------
    false_alarm : float
        Probability [1].

    Returns
    -------
    float

    Examples
    --------
    >>> print(z_limit(0.01))
    2.326
    """
    return float(ndtri(1.0 - false_alarm))


def detection_limits(legs_ma, coils=DEFAULT_COILS, *, false_alarm=0.01, missed=0.05):
    """Smallest gap to call real, and smallest true gap that is then rarely missed [mA].

    Parameters
    ----------
    legs_ma : array (visits × legs)
        Leg currents [mA].
    coils : CoilSpec
        What the coils promise.
    false_alarm, missed : float
        Probabilities of both errors [1].

    Returns
    -------
    tuple of two arrays (visits,)
        Decision limit and detection limit, for G − B.

    Notes
    -----
    The decision limit is `gap_reach` at k(false_alarm), the detection limit solves G = decision limit +
    k(missed)·u(G) with u(G) at the total S − G; a few rounds settle it, as u changes slowly with G. NaN where
    it passes S: no gap is then safely seen.

    References
    ----------
    ISO 11929-1:2019, decision threshold and detection limit (from memory).

    Examples
    --------
    >>> decision, detection = detection_limits([[75.0] * 4])
    >>> print(decision[0], detection[0])
    14.87 24.81
    """
    sum_ma = leg_sum(legs_ma)
    decision = gap_reach(legs_ma, z_limit(false_alarm), coils)
    detection = decision
    for _ in range(20):
        u_ma = gap_uncertainty(legs_ma, np.maximum(sum_ma - detection, 0.0), coils)
        detection = decision + ndtri(1.0 - missed) * u_ma
    return decision, np.where(detection <= sum_ma, detection, np.nan)


def smallest_sum(count, coils=DEFAULT_COILS):
    """Sum of the legs under which nothing can be judged [mA].

    Parameters
    ----------
    count : int or array
        Legs read.
    coils : CoilSpec
        What the coils promise.

    Returns
    -------
    float or array

    Examples
    --------
    >>> from towerlib.physics.gaps import CoilSpec
    >>> print(smallest_sum(4, CoilSpec(3.0, 2.0, 1.0)))
    27.71
    """
    return number("leg_floor_multiple") * coils.noise_ma * count

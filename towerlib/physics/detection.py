"""What gap the coils can prove: limit of z, limits of the gap, and the sum under which nothing is judged."""

import numpy as np
from scipy.special import ndtri

from towerlib.physics.gaps import DEFAULT_COILS, gap_uncertainty, leg_sum
from towerlib.values import number


def z_limit(false_alarm, *, shared_total=False):
    """One-sided limit that z of a tower without a gap passes with the given probability.

    Parameters
    ----------
    false_alarm : float
        Probability [1]; 0.001 to 0.05 with a shared total, whose z is skewed and known by simulation only.
    shared_total : bool
        The total is formed from the same coils.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        Shared total and a probability that was not simulated.

    Examples
    --------
    >>> print(z_limit(0.01), z_limit(0.01, shared_total=True))
    2.326 3.5
    """
    if not shared_total:
        return float(ndtri(1.0 - false_alarm))
    if not 0.001 <= false_alarm <= 0.05:
        raise ValueError(f"false_alarm {false_alarm}: a shared total was simulated for 0.001 to 0.05 only")
    known = [number(f"gap_shared_z_{name}_percent") for name in ("5", "1", "01")]
    return float(np.interp(-np.log(false_alarm), -np.log([0.05, 0.01, 0.001]), known))


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
    The decision limit is k(false_alarm)·u(0), the detection limit solves G = k(false_alarm)·u(0) +
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
    decision = z_limit(false_alarm, shared_total=coils.shared_total) * gap_uncertainty(legs_ma, sum_ma, coils)
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

"""Decision limit and detection limit of the gap between leg sum and vector total."""

import numpy as np
from scipy.special import ndtri

from towerlib.physics.leakage_gap import (
    DEFAULT_COILS,
    _across,
    _freedom,
    _skewed,
    gap_uncertainty,
    leg_sum,
    z_limit,
)


def gap_reach(legs_ma, z, coils=DEFAULT_COILS):
    """G − B that a tower without a gap passes as rarely as a normal variable passes z [mA].

    Parameters
    ----------
    legs_ma : array (visits × legs)
        Leg currents [mA].
    z : float or array (visits,)
        Standard deviations of a normal distribution, one-sided.
    coils : CoilSpec
        What the coils promise.

    Returns
    -------
    array (visits,)

    Notes
    -----
    z·u with a total measured on its own. With one from the same coils the gap that noise leaves is a weighted sum
    of squares: skewed, and the more so the fewer legs bring it. It is taken for gamma-distributed with its first
    three cumulants k, which is χ² with ν = 8·k2³/k3² degrees of freedom, and its quantiles by Wilson and Hilferty.
    Simulated false alarms of a nominal 1 % are 0.4 to 2 % for two to four legs of any shares, from the floor of
    judgement on; fewer where the display step outweighs the noise.

    References
    ----------
    E. B. Wilson and M. M. Hilferty, The distribution of chi-square, Proc. Natl. Acad. Sci. 17 (1931); P. Hall,
    Chi squared approximations to the distribution of a sum of independent random variables, Ann. Probab. 11
    (1983); both from memory.

    Examples
    --------
    >>> from towerlib.physics.leakage_gap import CoilSpec
    >>> print(gap_reach([[75.0] * 4], 2.0, CoilSpec(3.0, 2.0, 1.0))[0])
    12.78
    """
    sum_ma = leg_sum(legs_ma)
    u_ma = gap_uncertainty(legs_ma, sum_ma, coils)
    if not coils.shared_total:
        return z * u_ma
    return u_ma * _skewed(z, _freedom(u_ma**2, _across(legs_ma, coils).third))


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

"""Bond impedance from readings with phase: an independent way to the bond resistance."""

import numpy as np


def bond_impedance(without_coils_ohm, footing_ohm, rest_s):
    """Bond impedance that explains a reading without coils beside one with coils, both with phase.

    Parameters
    ----------
    without_coils_ohm : complex or array
        Reading of the whole tower, legs in parallel with the line [Ω].
    footing_ohm : complex or array
        Reading of the footing alone, with coils on all legs [Ω]; inf where the footing is lost.
    rest_s : complex or array
        Admittance of all the line but this tower, seen from its bond, at the test frequency [S].

    Returns
    -------
    tuple
        Bond impedance [Ω], complex: inf where both readings are the same; and whether its resistance is 0 or
        more. False says that readings and line do not belong together; the impedance is given as it comes out.

    Notes
    -----
    Z_b = 1/(1/Z_m − 1/R) − 1/Y_rest. NaN where the rest of the line conducts nothing: no bond could be seen
    there. A passive line gives R ≥ |Z_m|; readings that do not come out with a negative resistance. A line that
    is overrated does too, and a sound bond does within the error of 1/Y_rest: hold −Re Z_b against that.

    References
    ----------
    Current divider, solved for the bond.

    Examples
    --------
    >>> bond_ohm, is_possible = bond_impedance(5.0, 10.0, 0.2)
    >>> print(bond_ohm.real, is_possible)
    5.0 True
    """
    without_coils_ohm, footing_ohm, rest_s = (
        np.asarray(part, complex) for part in (without_coils_ohm, footing_ohm, rest_s)
    )
    lost, nothing = np.isinf(footing_ohm), rest_s == 0
    with np.errstate(invalid="ignore"):  # an unknown reading passes as NaN
        footing_s = np.where(lost, 0.0, 1.0 / np.where(lost, 1.0, footing_ohm))
        through_s = 1.0 / without_coils_ohm - footing_s
        rest_ohm = np.where(nothing, np.nan, 1.0 / np.where(nothing, 1.0, rest_s))
        is_open = through_s == 0
        series_ohm = np.where(is_open, np.inf, 1.0 / np.where(is_open, 1.0, through_s))
        bond_ohm = np.where(is_open & ~nothing, np.inf, series_ohm - rest_ohm)
    return bond_ohm[()], (bond_ohm.real >= 0)[()]

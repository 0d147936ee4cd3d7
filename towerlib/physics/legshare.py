"""Leg share: part of an injected current that takes the legs, and the bond that explains it."""

import numpy as np


def leg_share_expected(footing_ohm, rest_s, bond_ohm=0.0):
    """Share of an injected current that takes the legs, the rest taking the shield wires [1].

    Parameters
    ----------
    footing_ohm, bond_ohm : float or array
        Footing resistance and bond impedance [Ω]; an infinite bond impedance is an open bond.
    rest_s : complex or array
        Admittance of all the line but this tower, seen from its bond, at the test frequency [S].

    Returns
    -------
    float or array
        λ = |1/(1 + R·Y)|, Y = 1/(Z_b + 1/Y_rest): also the reading without coils over the one with coils.
        0 where the footing is lost (infinite); NaN where the current has no path at all.

    References
    ----------
    Current divider.

    Examples
    --------
    >>> print(leg_share_expected(10.0, 0.2, 5.0))
    0.5
    """
    rest_s, is_open, lost = np.asarray(rest_s), np.isinf(bond_ohm), np.isinf(footing_ohm)
    with np.errstate(invalid="ignore"):  # an unknown footing passes as NaN
        wires_s = np.where(is_open, 0.0, rest_s / (1.0 + np.where(is_open, 0.0, bond_ohm) * rest_s))
        share = 1.0 / np.abs(1.0 + np.where(lost, 1.0, footing_ohm) * wires_s)
    return np.where(lost, np.where(np.abs(wires_s) > 0, 0.0, np.nan), share)[()]


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


def bond_resistance(leg_share, footing_ohm, rest_s):
    """Bond resistance that explains a leg share of the injected current [Ω].

    Parameters
    ----------
    leg_share : float or array
        Share λ of the injected current in the legs, a magnitude [1].
    footing_ohm : float or array
        Footing impedance with coils [Ω].
    rest_s : complex or array
        Admittance of all the line but this tower, seen from its bond, at the test frequency [S].

    Returns
    -------
    float or array
        Negative where the legs take less than a sound bond leaves them (the ladder is overrated); infinite at
        λ ≥ 1; NaN where no bond resistance gives the share.

    Notes
    -----
    With phasors Z_b = Rλ/(1−λ) − 1/Y_rest. Readings are magnitudes: Z_b and R are taken as real, 1/Y_rest =
    r + jx as known; then Z_b = (λ²R + √(λ²R² − x²(1−λ²)²))/(1−λ²) − r. Two bonds explain the share where
    r(r + R) < x²: this is the larger. Two shield wires have two bonds in parallel; this is both together.

    References
    ----------
    Current divider, solved for the bond.

    Examples
    --------
    >>> print(bond_resistance(0.5, 10.0, 0.2))
    5.0
    """
    share, rest_ohm = np.asarray(leg_share, dtype=float), 1.0 / np.asarray(rest_s, dtype=complex)
    found_less = np.where(share < 1.0, 1.0 - share**2, np.nan)
    root = (share * footing_ohm) ** 2 - (rest_ohm.imag * found_less) ** 2
    behind = (share**2 * footing_ohm + np.sqrt(np.where(root >= 0, root, np.nan))) / found_less
    return np.where(share >= 1.0, np.inf, behind - rest_ohm.real)[()]

"""Uniform line in closed form: the same footing at every tower, the same span between any two.

Three impedances are all called "the impedance of the ladder" in the trade. They differ by what is counted:

- `from_station`: a long line seen from a station; the first element is a span, its towers follow.
- `at_end_tower`: a long line seen from its first tower, the footing of that tower included.
- `at_mid_tower`: a long line seen from a tower in its middle, both directions and its own footing included.

For lines that are not uniform, or not long, use `ladder`.
"""

import numpy as np

from towerlib.physics.ladder import admittance

UNKNOWN_PASSES = np.errstate(invalid="ignore")  # what is unknown passes as NaN, without a warning


def from_station(footing_ohm, span_ohm):
    """Impedance of an endless uniform line seen from a station, a span coming first.

    Parameters
    ----------
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].

    Returns
    -------
    complex or array
        Impedance Z∞ [Ω].

    Notes
    -----
    Z∞ = Z/2 + √(Z²/4 + R·Z), the root with positive real part. The station's own earth is not counted.

    References
    ----------
    IEC 60909-3, driving-point impedance of a line; J. Endrenyi, IEEE Trans. PAS-86 (1967); both from memory.

    Examples
    --------
    >>> print(from_station(1.0, 1.0).real)
    1.618034
    """
    footing_ohm, span_ohm = np.asarray(footing_ohm, complex), np.asarray(span_ohm, complex)
    return (span_ohm / 2 + np.sqrt(span_ohm**2 / 4 + footing_ohm * span_ohm))[()]


@UNKNOWN_PASSES
def at_end_tower(footing_ohm, span_ohm):
    """Impedance of an endless uniform line seen from its first tower, that tower's footing included.

    Parameters
    ----------
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].

    Returns
    -------
    complex or array
        Impedance Z_h [Ω].

    Notes
    -----
    Z_h = R ∥ Z∞ = Z∞ − Z = −Z/2 + √(Z²/4 + R·Z); the first form keeps its digits. Source as `from_station`.

    Examples
    --------
    >>> print(at_end_tower(1.0, 1.0).real)
    0.618034
    """
    line_ohm = from_station(footing_ohm, span_ohm)
    return footing_ohm * line_ohm / (footing_ohm + line_ohm)


@UNKNOWN_PASSES
def at_mid_tower(footing_ohm, span_ohm):
    """Impedance of a uniform line, endless both ways, seen from a tower, its footing included.

    Parameters
    ----------
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].

    Returns
    -------
    complex or array
        Impedance Z_T [Ω].

    Notes
    -----
    Z_T = 1/(1/R + 2/Z∞) = R·Z/√(Z² + 4·R·Z).

    References
    ----------
    IEC 60909-3, total earthing impedance of a tower (from memory).

    Examples
    --------
    >>> print(at_mid_tower(1.0, 1.0).real)
    0.447214
    """
    footing_ohm, span_ohm = np.asarray(footing_ohm, complex), np.asarray(span_ohm, complex)
    return (footing_ohm * span_ohm / np.sqrt(span_ohm**2 + 4 * footing_ohm * span_ohm))[()]


@UNKNOWN_PASSES
def decay(footing_ohm, span_ohm):
    """Potential of the shield wire at a tower over that at the next, away from the source.

    Parameters
    ----------
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].

    Returns
    -------
    complex or array
        κ, greater than 1 in size [1].

    Notes
    -----
    κ = 1 + Z∞/R = e^θ with cosh θ = 1 + Z/(2R).

    References
    ----------
    IEC 60909-3, factor k (from memory).

    Examples
    --------
    >>> print(decay(1.0, 1.0).real)
    2.618034
    """
    return 1 + from_station(footing_ohm, span_ohm) / footing_ohm


@UNKNOWN_PASSES
def finite_from_station(tower_count, footing_ohm, span_ohm, far_station_ohm=np.inf):
    """Impedance of a uniform line of n towers and n + 1 spans seen from a station, closed by the far station.

    Parameters
    ----------
    tower_count : int or array
        Towers between the stations, 0 or more.
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].
    far_station_ohm : complex or array
        Earth of the far station [Ω]; inf where the last span leads nowhere.

    Returns
    -------
    complex or array
        Impedance Z_n [Ω]; inf with no tower and no far station.

    Notes
    -----
    Z_n = (Z∞·(Z_E + Z∞) + b·(Z_E − b)·q)/((Z_E + Z∞) − (Z_E − b)·q), q = κ^(−2n), b = Z∞ − Z. Printed with κⁿ
    and κ⁻ⁿ; divided by κⁿ it holds for any n, where κⁿ passes the largest number from some 300 towers on.

    References
    ----------
    IEC 60909-3, chain of finite length (from memory).

    Examples
    --------
    >>> print(finite_from_station(1, 1.0, 1.0, 1.0).real)
    1.666667
    """
    line_ohm, first_ohm = from_station(footing_ohm, span_ohm), at_end_tower(footing_ohm, span_ohm)
    fade = np.exp(-2 * np.asarray(tower_count) * np.log(decay(footing_ohm, span_ohm)))
    far_ohm = np.asarray(far_station_ohm, complex)
    nowhere = np.isinf(far_ohm)  # both sums are divided by Z_E there
    towards = np.where(nowhere, 1.0, far_ohm + line_ohm)
    back = np.where(nowhere, 1.0, far_ohm - first_ohm) * fade
    gone = towards == back
    above = line_ohm * towards + first_ohm * back
    return np.where(gone, np.inf, above / np.where(gone, 1.0, towards - back))[()]


def far_distance(footing_ohm, span_ohm, span_m):
    """Distance from a station from which a uniform line may be taken as endless towards it.

    Parameters
    ----------
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].
    span_m : float or array
        Length of each span [m].

    Returns
    -------
    float or array
        Distance D_F [m], at which the potential has faded to some 5 %.

    Notes
    -----
    D_F = 3·d·√R/Re√Z.

    References
    ----------
    IEC 60909-3, far-from-station distance (from memory).

    Examples
    --------
    >>> print(round(far_distance(15.0, 0.12 + 0.23j, 300.0)))
    8003
    """
    root = np.sqrt(np.asarray(span_ohm, complex)).real
    return (3 * np.asarray(span_m, float) * np.sqrt(np.asarray(footing_ohm, float)) / root)[()]


def far_fault_rise(footing_ohm, span_ohm, reduction, fault_a):
    """Potential rise of a tower by an earth fault there, far from both stations.

    Parameters
    ----------
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].
    reduction : complex or array
        Reduction factor of the shield wire [1], `tests.reference.shield_wires.reduction_factor`.
    fault_a : complex or array
        Fault current, the sum from both ends [A].

    Returns
    -------
    complex or array
        Potential [V]; over the footing it gives the footing current.

    Notes
    -----
    V_T = r·(I_A + I_B)·Z_T. Not beside an open span, not within `far_distance` of a station.

    References
    ----------
    IEC 60909-3 (from memory).

    Examples
    --------
    >>> print(abs(far_fault_rise(1.0, 1.0, 0.5, 1000.0)))
    223.6068
    """
    return reduction * fault_a * at_mid_tower(footing_ohm, span_ohm)


def wire_current_beside_fault(footing_ohm, span_ohm, reduction, from_first_a, from_last_a):
    """Current of the shield wire in the last span before a faulted tower, far from both stations.

    Parameters
    ----------
    footing_ohm, span_ohm : complex or array
        Footing of each tower, impedance of each span of the shield wire [Ω].
    reduction : complex or array
        Reduction factor of the shield wire [1].
    from_first_a, from_last_a : complex or array
        Fault current that comes from each end [A].

    Returns
    -------
    complex or array
        Current from the first station's side towards the faulted tower [A].

    Notes
    -----
    I = −(1 − r)·I_A − r·(I_A + I_B)·Z_T/Z∞, where 1 − r = z'sm/z'ss: Kirchhoff's laws on the endless ladder.

    Examples
    --------
    >>> print(wire_current_beside_fault(1.0, 1.0, 0.5, 1000.0, 0.0).real)
    -638.1966
    """
    ratio = at_mid_tower(footing_ohm, span_ohm) / from_station(footing_ohm, span_ohm)
    return -(1 - reduction) * from_first_a - reduction * (from_first_a + from_last_a) * ratio


def split_factor(grid_ohm, lines_ohm):
    """Part of a station's earth fault current that takes the station's own earth grid.

    Parameters
    ----------
    grid_ohm : float or array, shape (...)
        Resistance of the earth grid [Ω].
    lines_ohm : complex or array, shape (..., k)
        Impedance of each of the k lines seen from the station [Ω]; inf where none is led in.

    Returns
    -------
    float or array, shape (...)
        S_f = |Z_eq/(R_g + Z_eq)| [1], Z_eq all lines in parallel.

    References
    ----------
    IEEE Std 80, Annex C; Garrett, Myers and Patel, IEEE Trans. PWRD-2 (1987) 725; both from memory.

    Examples
    --------
    >>> print(split_factor(1.0, [2.0, 2.0]))
    0.5
    """
    return (1 / np.abs(1 + grid_ohm * admittance(lines_ohm).sum(axis=-1)))[()]

"""Touch fraction: the share of its rise that an electrode shows between itself and the ground within reach."""

import numpy as np

from towerlib.values import number


def hemisphere_touch_fraction(radius_m, reach_m=1.0):
    """Share of its rise that a hemisphere shows between itself and the ground a reach away.

    Parameters
    ----------
    radius_m, reach_m : float or array
        Radius of the hemisphere, distance of the feet from its face [m].

    Returns
    -------
    float or array
        Touch voltage over potential rise [1].

    Notes
    -----
    1 − r/(r + x), uniform soil.

    References
    ----------
    Point source in uniform soil.

    Examples
    --------
    >>> print(hemisphere_touch_fraction(4.0))
    0.2
    """
    radius_m, reach_m = np.asarray(radius_m, float), np.asarray(reach_m, float)
    return (reach_m / (radius_m + reach_m))[()]


def rod_touch_fraction(length_m, radius_m, reach_m=1.0):
    """Share of its rise that a vertical rod shows between itself and the ground a reach away.

    Parameters
    ----------
    length_m, radius_m, reach_m : float or array
        Buried length and radius of the rod, distance of the feet from it [m].

    Returns
    -------
    float or array
        Touch voltage over potential rise [1].

    Notes
    -----
    1 − asinh(L/x)/(ln(4L/a) − 1): a slender rod flush with the surface of uniform soil, its current even along
    its length.

    References
    ----------
    E. D. Sunde, Earth Conduction Effects in Transmission Systems (1949), line source (from memory).

    Examples
    --------
    >>> print(round(rod_touch_fraction(3.0, 0.008), 2))
    0.71
    """
    length_m, radius_m, reach_m = (np.asarray(a, float) for a in (length_m, radius_m, reach_m))
    return (1 - np.arcsinh(length_m / reach_m) / (np.log(4 * length_m / radius_m) - 1))[()]


def solved_touch_fraction(solution, leg_m, half_m, reach_m=None, *, is_round=False):
    """Greatest share of its rise that an electrode shows between a leg and the ground a reach from its face.

    Parameters
    ----------
    solution : towerlib.physics.electrode.matrix.Solution
        The electrode, or what `towerlib.physics.electrode.fourfold.solve_fourfold` gives.
    leg_m : pair of float
        x and y of the middle of the leg [m].
    half_m : float
        Half its width, or its radius, at the surface [m].
    reach_m : float, optional
        Distance of the feet from the face [m]; else that of the standards.
    is_round : bool
        The leg is round; else square, its sides along x and y.

    Returns
    -------
    float
        Touch voltage over potential rise [1]: the worst of eight directions.

    References
    ----------
    EN 50522: touch voltage over 1 m.

    Examples
    --------
    >>> from towerlib.physics.electrode.matrix import solve
    >>> from towerlib.physics.electrode.pieces import rod
    >>> from towerlib.physics.soil.layers import uniform
    >>> pole = solve(rod(3.0, 0.15), uniform(100.0))
    >>> print(round(solved_touch_fraction(pole, (0.0, 0.0), 0.15, is_round=True), 2))
    0.52
    """
    from towerlib.physics.electrode.matrix import potential

    reach_m = number("touch_reach_m") if reach_m is None else reach_m
    angle = np.arange(8) * np.pi / 4
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    face = towards if is_round else np.sign(np.round(towards, 9))
    at_m = np.asarray(leg_m) + half_m * face + reach_m * towards
    ground_v = potential(solution, np.column_stack([at_m, np.zeros(8)]))
    return float(1 - ground_v.min() / solution.resistance_ohm)

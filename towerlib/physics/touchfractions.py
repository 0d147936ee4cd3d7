"""Touch fraction: the share of its rise that an electrode shows between itself and the ground within reach."""

import numpy as np


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

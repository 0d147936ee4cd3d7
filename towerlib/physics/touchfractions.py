"""Touch fraction: the share of its rise that an electrode shows between itself and the ground within reach."""

import csv
from functools import cache
from importlib.resources import files

import numpy as np

from towerlib.values import number

STEPS = 5  # places along an interval of contrast or depth at which the table is read


def touch_fraction_limits(kind, spacing_m, contrast_low, contrast_high, depth_low_m, depth_high_m):
    """Least and greatest touch fraction of structures of a kind, in soil that lies between limits.

    Parameters
    ----------
    kind : str
        ``four``, ``four ring``, ``single`` or ``single ring``.
    spacing_m : array, shape (n,)
        Leg spacing [m]; NaN where not known, not used for a single foot.
    contrast_low, contrast_high : array, shape (n,)
        Lower over upper resistivity [1].
    depth_low_m, depth_high_m : array, shape (n,)
        Depth of the boundary [m]; 0 and inf where not known.

    Returns
    -------
    tuple of array, each of shape (n,)
        Least and greatest share of the rise [1], the margins of the table included.

    Notes
    -----
    The footing is not known: each entry of the table spans slim blocks to wide pads. Between the entries by
    straight lines over the logarithms of spacing, contrast and depth; the ends hold beyond the table but for
    the contrast, beyond which nothing is claimed: 0 to 1.

    References
    ----------
    Own method-of-moments computation, ``python -m towerlib.physics.touchtable``.

    Examples
    --------
    >>> low, high = touch_fraction_limits("four", [8.0], [1.0], [1.0], [1.0], [1.0])
    >>> bool(low[0] < 0.1 < 0.45 < high[0] < 0.5)
    True
    """
    from scipy.interpolate import RegularGridInterpolator

    axes, low, high = _limits_table(kind)
    contrast = np.log([contrast_low, contrast_high]).astype(float)
    depth = np.log(np.clip([depth_low_m, depth_high_m], np.exp(axes[2][0]), np.exp(axes[2][-1])))
    spacing_m = np.asarray(spacing_m, float)
    known = np.clip(np.where(np.isnan(spacing_m), 1.0, spacing_m), np.exp(axes[0][0]), np.exp(axes[0][-1]))
    spacing = np.where(np.isnan(spacing_m), np.array([[axes[0][0]], [axes[0][-1]]]), np.log(known))
    at = np.stack(
        np.broadcast_arrays(
            spacing[:, None, None],
            _along(np.clip(contrast, axes[1][0], axes[1][-1]), axes[1])[None, :, None],
            _along(depth, axes[2])[None, None, :],
        ),
        axis=-1,
    )
    margin = number("touch_fraction_margin")
    spread = number("touch_fraction_ring_margin") if kind.endswith("ring") else margin
    least = RegularGridInterpolator(axes, low)(at).min(axis=(0, 1, 2)) / (1 + spread)
    greatest = RegularGridInterpolator(axes, high)(at).max(axis=(0, 1, 2)) * (1 + margin)
    within = (contrast[0] >= axes[1][0] - 1e-9) & (contrast[1] <= axes[1][-1] + 1e-9)
    return np.where(within, least, 0.0), np.where(within, np.minimum(greatest, 1.0), 1.0)


def _along(ends, nodes):
    """Places between two ends, (STEPS + nodes, n): evenly, and at the nodes of the table that lie between."""
    evenly = ends[0] + np.linspace(0, 1, STEPS)[:, None] * (ends[1] - ends[0])
    return np.vstack([evenly, np.clip(nodes[:, None], ends[0], ends[1])])


@cache
def _limits_table(kind):
    """Axes (logarithms of spacing, contrast and depth) and both ends of the fraction of a kind."""
    text = files("towerlib.physics").joinpath("touchfractions.csv").read_text(encoding="utf-8")
    names = ("spacing_m", "contrast", "depth_m", "low", "high")
    rows = np.array(
        [[float(one[n]) for n in names] for one in csv.DictReader(text.splitlines()) if one["kind"] == kind]
    )
    if not len(rows):
        raise ValueError(f"there are no touch fractions of the kind {kind!r}")
    spacings, contrasts = np.unique(rows[:, 0]), np.unique(rows[:, 1])
    depths = np.unique(rows[rows[:, 1] != 1, 2])
    ends = np.empty((2, len(spacings), len(contrasts), len(depths)))
    for spacing_m, contrast, depth_m, *pair in rows:
        # uniform soil has no boundary: it counts for every depth
        place = slice(None) if contrast == 1 else np.searchsorted(depths, depth_m)
        for end, value in zip(ends, pair, strict=True):
            end[np.searchsorted(spacings, spacing_m), np.searchsorted(contrasts, contrast), place] = value
    if len(spacings) == 1:  # a single foot has no legs: any spacing will do
        spacings, ends = np.array([1.0, 100.0]), np.repeat(ends, 2, axis=1)
    return (np.log(spacings), np.log(contrasts), np.log(depths)), *ends


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

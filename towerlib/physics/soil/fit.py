"""Two layers fitted to a sounding, with their uncertainty, or the reason why there are none to be told."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.soil.layers import Soil, layered_resistivity, uniform
from towerlib.physics.soil.resistivities import geometric_mean, log_spread
from towerlib.values import number

RESISTIVITY_BOUNDS = (1.0, 1e5)
DEPTH_BOUNDS = (0.05, 200.0)
STARTS = 6
COVERAGE = 0.95


@dataclass(frozen=True)
class SoilFit:
    """Soil that explains a sounding.

    Attributes
    ----------
    soil : Soil
        Two layers, or uniform soil of the geometric mean where no two layers can be told.
    is_layered : bool
        Two layers stand.
    reason : str
        Why they do not; empty where they do.
    misfit : float
        Root mean square of ln(model/reading) of the soil that stands.
    layered_misfit : float
        The same of the best two layers, whether they stand or not; NaN where none were tried.
    log_covariance : array, shape (3, 3)
        Covariance of ln ρ1, ln ρ2, ln H; for uniform soil the variance of ln ρ in the first two, NaN for H.
    low, high : tuple of float
        Interval at 95 % of upper_ohm_m, lower_ohm_m and depth_m; NaN for the depth of uniform soil.
    """

    soil: Soil
    is_layered: bool
    reason: str
    misfit: float
    layered_misfit: float
    log_covariance: np.ndarray
    low: tuple
    high: tuple


def fit_two_layers(array, apparent_ohm_m):
    """Two layers of soil from the apparent resistivities of a sounding.

    Parameters
    ----------
    array : towerlib.physics.soil.arrays.FourPins
        Distances between the pins, shape (n,).
    apparent_ohm_m : array, shape (n,)
        Apparent resistivities [Ω·m].

    Returns
    -------
    SoilFit
        Uniform soil, with the reason, where two layers are refused.

    Raises
    ------
    ValueError
        No reading; readings or distances that are unknown or not greater than 0; shapes that differ.

    Notes
    -----
    Least Σ[ln(model/reading)]² over ln ρ1, ln ρ2, ln H from several starts, H from a quarter of the least
    to the whole of the greatest spacing (AM), ρ within 1 to 100 000 Ω·m. Covariance s²·(JᵀJ)⁻¹ with
    s² = Σ/(n − 3); intervals by Student's t. Two layers are refused with fewer than 4 spacings, with a misfit above
    15 %, with a layer at either end of 1 to 100 000 Ω·m, with a boundary above a third of the least or below the
    greatest spacing, or where they do not explain the readings better than uniform soil does: the two numbers more
    must lower Σ so far that F = (Σ0 − Σ)/2 over Σ/(n − 3) passes its limit at the level ``sounding_layer_level``.
    F is that of linear regression; a boundary out of sight takes away about half of what it lets pass by chance, so
    about 1 in 20 soundings of uniform soil comes out as layered. A misfit that is small with four spacings proves
    little: three numbers were fitted.

    References
    ----------
    IEEE Std 81, two-layer soil; relative error as objective: I. F. Gonos et al., two-layer soil parameter
    estimation (2007). F test of nested models: any textbook of regression.

    Examples
    --------
    >>> from towerlib.physics.soil.arrays import wenner
    >>> read = [107.237, 138.022, 225.290, 374.221, 565.918, 756.921]
    >>> soil = fit_two_layers(wenner([1, 2, 4, 8, 16, 32]), read).soil
    >>> print(round(soil.upper_ohm_m), round(soil.lower_ohm_m), round(soil.depth_m, 2))
    100 1000 2.0
    """
    array, apparent_ohm_m = _checked(array, apparent_ohm_m)
    spacings = len(np.unique(np.round(array.am_m, 9)))
    if spacings < number("sounding_spacings_min"):
        return _uniform(apparent_ohm_m, f"{spacings} spacings are too few for two layers", np.nan)
    best = _best(array, apparent_ohm_m)
    misfit = float(np.sqrt(np.mean(best.fun**2)))
    covariance = _covariance(best)
    reason = _refusal(array, best, apparent_ohm_m)
    if reason:
        return _uniform(apparent_ohm_m, reason, misfit)
    reach = _student(len(apparent_ohm_m) - 3) * np.sqrt(np.diag(covariance))
    low, high = (tuple(np.exp(best.x + side * reach).tolist()) for side in (-1, 1))
    return SoilFit(Soil(*np.exp(best.x).tolist()), True, "", misfit, misfit, covariance, low, high)


def _student(freedom):
    """Half width of the interval in standard uncertainties, wider for few readings."""
    from scipy.stats import t

    return float(t.ppf(0.5 + COVERAGE / 2, freedom))


def _checked(array, apparent_ohm_m):
    """Distances and readings as arrays of one shape, all of them known and greater than 0."""
    parts = [
        np.atleast_1d(np.asarray(getattr(array, name), float)) for name in ("am_m", "an_m", "bm_m", "bn_m")
    ]
    apparent_ohm_m = np.atleast_1d(np.asarray(apparent_ohm_m, float))
    if any(part.shape != apparent_ohm_m.shape for part in parts) or apparent_ohm_m.ndim != 1:
        raise ValueError(f"a sounding needs one reading for each spacing, not {apparent_ohm_m.size}")
    if apparent_ohm_m.size == 0:
        raise ValueError("a sounding without a reading says nothing about the soil")
    for what, values in (("spacings", np.concatenate(parts)), ("apparent resistivities", apparent_ohm_m)):
        if not (np.isfinite(values) & (values > 0)).all():
            raise ValueError(f"{what} of a sounding must be known and greater than 0")
    return type(array)(*parts), apparent_ohm_m


def _best(array, apparent_ohm_m):
    """Least squares from several depths; of the results the one that fits best."""
    from scipy.optimize import least_squares

    near, far = apparent_ohm_m[np.argmin(array.am_m)], apparent_ohm_m[np.argmax(array.am_m)]
    bounds = np.log([RESISTIVITY_BOUNDS, RESISTIVITY_BOUNDS, DEPTH_BOUNDS]).T
    depths = np.geomspace(array.am_m.min() / 4, array.am_m.max(), STARTS)
    starts = np.log([(near, far, depth_m) for depth_m in depths])
    inside = bounds[0] + 1e-6, bounds[1] - 1e-6
    read = np.log(apparent_ohm_m)

    def misfits(logs):
        return np.log(layered_resistivity(array, *np.exp(logs))) - read

    runs = [least_squares(misfits, np.clip(start, *inside), bounds=bounds, xtol=1e-10) for start in starts]
    return min(runs, key=lambda run: run.cost)


def _covariance(best):
    """Covariance of the logarithms; inf where the readings do not hold a parameter at all."""
    freedom = len(best.fun) - best.x.size
    variance = (best.fun**2).sum() / max(freedom, 1)
    curvature = best.jac.T @ best.jac
    if np.linalg.cond(curvature) > 1e12:
        return np.diag(np.full(best.x.size, np.inf))
    return variance * np.linalg.inv(curvature)


def _is_better_than_uniform(best, apparent_ohm_m):
    """Whether two layers lower the squares of uniform soil further than scatter would, by the F test."""
    from scipy.special import fdtri

    logs, freedom = np.log(apparent_ohm_m), len(apparent_ohm_m) - best.x.size
    uniform_squares, squares = ((logs - logs.mean()) ** 2).sum(), (best.fun**2).sum()
    limit = fdtri(2, freedom, 1.0 - number("sounding_layer_level"))
    # Readings alike to 1 part in a million are uniform, whatever the last figures of the fit are.
    is_even = uniform_squares < 1e-12 * len(logs)
    return not is_even and uniform_squares - squares > limit * 2.0 * squares / freedom


def _refusal(array, best, apparent_ohm_m):
    """Sentence that says why two layers do not stand; empty where they do."""
    logs, misfit = best.x, float(np.sqrt(np.mean(best.fun**2)))
    least_m, greatest_m = array.am_m.min(), array.am_m.max()
    depth_m = np.exp(logs[2])
    top_m = least_m * number("sounding_depth_fraction_min")
    if misfit > number("sounding_misfit_max"):
        return f"two layers miss the readings by {misfit:.0%}"
    if np.any(np.abs(logs[:2, None] - np.log(RESISTIVITY_BOUNDS)) < 1e-3):
        return "a layer would have less than 1 or more than 100 000 ohm m"
    if not _is_better_than_uniform(best, apparent_ohm_m):
        return "the two layers do not differ by more than the readings leave open"
    if not top_m <= depth_m <= greatest_m:
        return f"the boundary at {depth_m:.2g} m lies outside what spacings of {least_m:g} to {greatest_m:g} m see"
    return ""


def _uniform(apparent_ohm_m, reason, layered_misfit):
    """Uniform soil of the geometric mean, with the spread of the readings as its uncertainty."""
    mean_ohm_m, spread = geometric_mean(apparent_ohm_m), log_spread(apparent_ohm_m)
    misfit = float(np.sqrt(np.mean(np.log(apparent_ohm_m / mean_ohm_m) ** 2)))
    covariance = np.full((3, 3), np.nan)
    covariance[:2, :2] = spread**2
    reach = _student(len(apparent_ohm_m) - 1) * spread if len(apparent_ohm_m) > 1 else np.nan
    low, high = (float(mean_ohm_m * np.exp(side * reach)) for side in (-1, 1))
    return SoilFit(
        uniform(mean_ohm_m),
        False,
        reason,
        misfit,
        layered_misfit,
        covariance,
        (low, low, np.nan),
        (high, high, np.nan),
    )

"""Two-layer soil: its description, the fit to a four-pin sounding, and the potential at its surface.

Image currents are infinite in number; `image_weights` sums them with few terms, however strong the contrast.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.physics.soil import FourPins, geometric_mean, log_spread
from towerlib.values import number

RESISTIVITY_BOUNDS = (1.0, 1e5)
DEPTH_BOUNDS = (0.05, 200.0)
CONTRASTS = np.linspace(-6.0, 6.0, 24)  # ln(ρ2/ρ1) of the grid on which a fit begins; none is 0
DEPTHS, VALLEYS = 12, 3  # depths of that grid, and the fits begun from it
STEP = 1e-5  # of the logarithms, for slopes
COVERAGE = 0.95
DIRECT_TERMS = 40  # up to this many images, each is a term of its own
FIRST_SMOOTH = 16  # from this image on, terms change slowly enough for a rule of high order
DIFFERENCES = 8
BLOCK_POINTS = 12


@dataclass(frozen=True)
class Soil:
    """Uniform soil, or a top layer over a bottom layer.

    Attributes
    ----------
    upper_ohm_m : float
        Resistivity of the top layer [Ω·m].
    lower_ohm_m : float
        Resistivity of the bottom layer [Ω·m]; the same for uniform soil.
    depth_m : float
        Thickness of the top layer [m]; inf for uniform soil.

    Raises
    ------
    ValueError
        A value that is not greater than 0; two resistivities without a depth between them.

    Examples
    --------
    >>> print(Soil(100.0, 1000.0, 2.0).factor, uniform(100.0).factor)
    0.818182 0.0
    """

    upper_ohm_m: float
    lower_ohm_m: float
    depth_m: float

    def __post_init__(self) -> None:
        for name in ("upper_ohm_m", "lower_ohm_m", "depth_m"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} of a soil must be greater than 0, not {getattr(self, name)}")
        if not np.isfinite(self.upper_ohm_m) or not np.isfinite(self.lower_ohm_m):
            raise ValueError("both layers of a soil must conduct")
        if np.isinf(self.depth_m) and self.lower_ohm_m != self.upper_ohm_m:
            raise ValueError("two resistivities need the depth of the boundary between them")

    @property
    def factor(self) -> float:
        """Reflection factor of the boundary."""
        return float(reflection(self.upper_ohm_m, self.lower_ohm_m))


def uniform(resistivity_ohm_m: float) -> Soil:
    """Soil of one resistivity down to any depth.

    Parameters
    ----------
    resistivity_ohm_m : float
        Resistivity [Ω·m].

    Returns
    -------
    Soil

    Examples
    --------
    >>> uniform(100.0)
    Soil(upper_ohm_m=100.0, lower_ohm_m=100.0, depth_m=inf)
    """
    return Soil(float(resistivity_ohm_m), float(resistivity_ohm_m), np.inf)


@dataclass(frozen=True)
class SoilFit:
    """Soil that explains a sounding.

    Attributes
    ----------
    soil : Soil
        Two layers, or uniform soil of the geometric mean where two layers cannot be distinguished.
    is_layered : bool
        Two layers are accepted.
    reason : str
        Why they are not; empty where they are.
    misfit : float
        Root mean square of ln(model/reading) of the soil above.
    layered_misfit : float
        The same of the best two layers, accepted or not; NaN where none were tried.
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


def fit_two_layers(array: FourPins, apparent_ohm_m: ArrayLike) -> SoilFit:
    """Two layers of soil from the apparent resistivities of a sounding.

    Parameters
    ----------
    array : towerlib.physics.soil.FourPins
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
    s² = Σ/(n − 3); intervals by Student's t.

    Two layers are refused with fewer than 4 spacings, with a misfit above 15 %, with a layer at either end of 1 to
    100 000 Ω·m, or with a boundary above a third of the least or below the greatest spacing. They must also fit
    better than uniform soil: F = (Σ0 − Σ)/2 over Σ/(n − 3) must pass its limit at ``sounding_layer_level``.
    The F test is that of linear regression; the limits on the boundary reject about half of its false positives, so
    about 1 in 20 soundings of uniform soil comes out as layered. A small misfit with four spacings proves little:
    three numbers were fitted.

    References
    ----------
    IEEE Std 81, two-layer soil; relative error as objective: I. F. Gonos et al., two-layer soil parameter
    estimation (2007). F test of nested models: any textbook of regression.

    Examples
    --------
    >>> from towerlib.physics.soil import wenner
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
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + COVERAGE / 2))


def _checked(array, apparent_ohm_m):
    """Distances and readings as arrays of one shape, all of them known and greater than 0."""
    parts = [
        np.atleast_1d(np.asarray(getattr(array, name), float)) for name in ("am_m", "an_m", "bm_m", "bn_m")
    ]
    apparent_ohm_m = np.atleast_1d(np.asarray(apparent_ohm_m, float))
    if any(part.shape != apparent_ohm_m.shape for part in parts) or apparent_ohm_m.ndim != 1:
        raise ValueError(f"a sounding needs one reading for each spacing, not {apparent_ohm_m.size}")
    if apparent_ohm_m.size == 0:
        raise ValueError("a sounding needs at least one reading")
    for what, values in (("spacings", np.concatenate(parts)), ("apparent resistivities", apparent_ohm_m)):
        if not (np.isfinite(values) & (values > 0)).all():
            raise ValueError(f"{what} of a sounding must be known and greater than 0")
    return type(array)(*parts), apparent_ohm_m


def _best(array, apparent_ohm_m):
    """Least squares from the best valleys of a grid of contrasts and depths; of the results the one that fits best."""
    from scipy.optimize import least_squares

    bounds = np.log([RESISTIVITY_BOUNDS, RESISTIVITY_BOUNDS, DEPTH_BOUNDS]).T
    inside = bounds[0] + 1e-6, bounds[1] - 1e-6
    read, shape = np.log(apparent_ohm_m), _shape(array)

    def misfits(logs):
        return logs[0] + shape(logs[1] - logs[0], logs[2]) - read

    def slopes(logs):
        contrast, depth = logs[1] - logs[0], logs[2]
        by_contrast = (shape(contrast + STEP, depth) - shape(contrast - STEP, depth)) / (2 * STEP)
        by_depth = (shape(contrast, depth + STEP) - shape(contrast, depth - STEP)) / (2 * STEP)
        return np.stack([1.0 - by_contrast, by_contrast, by_depth], axis=1)

    runs = [
        least_squares(misfits, np.clip(start, *inside), slopes, bounds, xtol=1e-10, ftol=1e-12)
        for start in _valleys(array, read, shape)
    ]
    return min(runs, key=lambda run: run.cost)


def _shape(array):
    """Function of ln(ρ2/ρ1) and ln H that gives ln(ρa/ρ1) at each reading; several depths add a first axis."""
    apart_m = np.array([array.am_m, array.an_m, array.bm_m, array.bn_m])
    sign = np.array([1.0, -1.0, -1.0, 1.0])[:, None]
    alone = (sign / apart_m).sum(axis=0)

    def shape(contrast, log_depth):
        depth_m = np.exp(np.asarray(log_depth))[..., None, None]
        kernel = surface_kernel(apart_m, np.tanh(contrast / 2.0), depth_m)
        return np.log((sign * kernel).sum(axis=-2) / alone)

    return shape


def _valleys(array, read, shape):
    """Starts (ln ρ1, ln ρ2, ln H): the lowest local minima on a grid, ρ1 being the best one for each contrast and depth."""
    depths = np.log(np.geomspace(array.am_m.min() / 4, array.am_m.max(), DEPTHS))
    off = read - np.array([shape(contrast, depths) for contrast in CONTRASTS])
    upper, squares = off.mean(axis=-1), off.var(axis=-1)
    around = np.pad(squares, 1, constant_values=np.inf)
    low = squares <= np.minimum(
        np.minimum(around[:-2, 1:-1], around[2:, 1:-1]), np.minimum(around[1:-1, :-2], around[1:-1, 2:])
    )
    order = sorted(zip(*np.nonzero(low), strict=True), key=lambda cell: squares[cell])[:VALLEYS]
    return [(upper[i, j], upper[i, j] + CONTRASTS[i], depths[j]) for i, j in order]


def _covariance(best):
    """Covariance of the logarithms; inf where the readings do not determine a parameter."""
    freedom = len(best.fun) - best.x.size
    variance = (best.fun**2).sum() / max(freedom, 1)
    curvature = best.jac.T @ best.jac
    if np.linalg.cond(curvature) > 1e12:
        return np.diag(np.full(best.x.size, np.inf))
    return variance * np.linalg.inv(curvature)


def _refusal(array, best, apparent_ohm_m):
    """Reason for refusing two layers; empty where they are accepted."""
    logs, misfit = best.x, float(np.sqrt(np.mean(best.fun**2)))
    least_m, greatest_m = array.am_m.min(), array.am_m.max()
    depth_m = np.exp(logs[2])
    top_m = least_m * number("sounding_depth_fraction_min")
    if misfit > number("sounding_misfit_max"):
        return f"two layers miss the readings by {misfit:.0%}"
    if np.any(np.abs(logs[:2, None] - np.log(RESISTIVITY_BOUNDS)) < 1e-3):
        return "a layer would have less than 1 or more than 100 000 ohm m"
    if not _is_better_than_uniform(best, apparent_ohm_m):
        return "the two layers do not differ significantly"
    if not top_m <= depth_m <= greatest_m:
        return f"the boundary at {depth_m:.2g} m lies outside what spacings of {least_m:g} to {greatest_m:g} m see"
    return ""


def _is_better_than_uniform(best, apparent_ohm_m):
    """Whether two layers fit better than uniform soil by more than scatter would, by the F test."""
    from scipy.special import fdtri

    logs, freedom = np.log(apparent_ohm_m), len(apparent_ohm_m) - best.x.size
    uniform_squares, squares = ((logs - logs.mean()) ** 2).sum(), (best.fun**2).sum()
    limit = fdtri(2, freedom, 1.0 - number("sounding_layer_level"))
    # Readings alike to 1 part in a million are uniform, whatever the last figures of the fit are.
    is_even = uniform_squares < 1e-12 * len(logs)
    return not is_even and uniform_squares - squares > limit * 2.0 * squares / freedom


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


def layered_resistivity(
    array: FourPins, upper_ohm_m: ArrayLike, lower_ohm_m: ArrayLike, depth_m: ArrayLike
) -> FloatOrArray:
    """Apparent resistivity that a four-pin array reads above two layers.

    Parameters
    ----------
    array : towerlib.physics.soil.FourPins
        Distances between the pins, floats or arrays.
    upper_ohm_m, lower_ohm_m : float or array
        Resistivity of the top and of the bottom layer [Ω·m].
    depth_m : float or array
        Thickness of the top layer [m].

    Returns
    -------
    float or array
        Apparent resistivity [Ω·m]; NaN where a layer is unknown.

    Notes
    -----
    ρa = ρ1·[F(AM) − F(AN) − F(BM) + F(BN)]/(1/AM − 1/AN − 1/BM + 1/BN) with F of `surface_kernel`; for the
    Wenner array ρa/ρ1 = 1 + 4·ΣKⁿ·[1/√(1 + (2nH/a)²) − 1/√(4 + (2nH/a)²)]. Pins are points.

    References
    ----------
    Sunde (1949); Tagg (1964); IEEE Std 81, annex B.

    Examples
    --------
    >>> from towerlib.physics.soil import wenner
    >>> print(np.round(layered_resistivity(wenner([1.0, 4.0, 16.0]), 100.0, 1000.0, 2.0), 1))
    [107.2 225.3 565.9]
    """
    factor = reflection(upper_ohm_m, lower_ohm_m)
    signs = ((array.am_m, 1), (array.an_m, -1), (array.bm_m, -1), (array.bn_m, 1))
    layered = sum(sign * surface_kernel(apart_m, factor, depth_m) for apart_m, sign in signs)
    alone = sum(sign / np.asarray(apart_m, float) for apart_m, sign in signs)
    return np.asarray(upper_ohm_m, float) * layered / alone


def surface_kernel(distance_m: ArrayLike, factor: ArrayLike, depth_m: ArrayLike) -> FloatOrArray:
    """Potential at the surface of a current at the surface, as a multiple of ρ1·I/(2π).

    Parameters
    ----------
    distance_m : float or array
        Distance from the current [m].
    factor : float or array
        Reflection factor of the boundary.
    depth_m : float or array
        Thickness of the top layer [m].

    Returns
    -------
    float or array
        1/r of uniform soil, raised or lowered by the images [1/m].

    Notes
    -----
    1/r + 2·Σ_{n≥1} Kⁿ/√(r² + (2nH)²), summed by `image_weights` to about 1e-10 of 1/r.

    References
    ----------
    E. D. Sunde (1949); G. F. Tagg, Earth Resistances (1964); from memory.

    Examples
    --------
    >>> print(surface_kernel(2.0, 0.0, 1.0))
    0.5
    """
    if np.ndim(factor) == 0 and np.isfinite(factor) and np.isfinite(depth_m).all():
        order, weight = image_weights(float(factor))
        distance_m, twice_m = (
            np.asarray(distance_m, float)[..., None],
            2.0 * np.asarray(depth_m, float)[..., None],
        )
        images = np.hypot(distance_m, order * twice_m)
        return 1.0 / distance_m[..., 0] + 2.0 * (weight / images).sum(axis=-1)
    distance_m, factor, depth_m = np.broadcast_arrays(
        np.asarray(distance_m, float), np.asarray(factor, float), np.asarray(depth_m, float)
    )
    kernel = np.array(1.0 / distance_m + 0.0 * factor * np.where(np.isinf(depth_m), 0.0, depth_m))
    for one in np.unique(factor[np.isfinite(factor) & np.isfinite(depth_m)]):
        order, weight = image_weights(float(one))
        place = (factor == one) & np.isfinite(depth_m)
        apart_m = np.hypot(distance_m[place][:, None], 2.0 * order * depth_m[place][:, None])
        kernel[place] += 2.0 * (weight / apart_m).sum(axis=1)
    return kernel[()]


def reflection(upper_ohm_m: ArrayLike, lower_ohm_m: ArrayLike) -> FloatOrArray:
    """Reflection factor of the boundary between two layers.

    Parameters
    ----------
    upper_ohm_m, lower_ohm_m : float or array
        Resistivity of the top and of the bottom layer [Ω·m].

    Returns
    -------
    float or array
        K between −1 and 1; 0 without a contrast.

    Notes
    -----
    K = (ρ2 − ρ1)/(ρ2 + ρ1).

    References
    ----------
    E. D. Sunde, Earth Conduction Effects in Transmission Systems (1949); IEEE Std 81, annex on two-layer
    soil (both from memory).

    Examples
    --------
    >>> print(reflection(100.0, 1000.0))
    0.818182
    """
    upper_ohm_m, lower_ohm_m = np.asarray(upper_ohm_m, float), np.asarray(lower_ohm_m, float)
    return (lower_ohm_m - upper_ohm_m) / (lower_ohm_m + upper_ohm_m)


@lru_cache(maxsize=512)
def image_weights(factor: float, tolerance: float = 1e-10) -> tuple[np.ndarray, np.ndarray]:
    """Orders and weights by which a sum over all images becomes a short one.

    Parameters
    ----------
    factor : float
        Reflection factor K, −1 < K < 1.
    tolerance : float
        Images weaker than this are left out.

    Returns
    -------
    tuple of array, each of shape (t,)
        Orders n_j (not all of them whole) and weights w_j, so that Σ_{n≥1} Kⁿ f(n) = Σ_j w_j f(n_j) for an f
        as smooth as the reciprocal of a distance. The arrays cannot be written to.

    Raises
    ------
    ValueError
        K that is not inside (−1, 1): a layer without any or with perfect conductivity.

    Notes
    -----
    Up to 40 terms the sum is taken term by term until |K|ⁿ < tolerance. Beyond, the terms from n = 16 on are
    summed by Gregory's formula (integral over blocks of doubling length by Gauss's rule, plus differences at
    the first term) for K > 0, and by Euler's transformation for K < 0. With K = 0.99998, 228 terms do
    the work of a million.

    References
    ----------
    M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), 3.6.27 (Euler), 25.4.7 and the
    Gregory formula; from memory.

    Examples
    --------
    >>> order, weight = image_weights(0.99)
    >>> print(np.sum(weight / order), len(order) < 160)
    4.605170 True
    """
    if not -1 < factor < 1:
        raise ValueError(f"reflection factor {factor:g} is not between -1 and 1: both layers must conduct")
    if abs(factor) < tolerance:
        order, weight = np.empty(0), np.empty(0)
    elif abs(factor) ** DIRECT_TERMS < tolerance:
        order = np.arange(1.0, np.ceil(np.log(tolerance) / np.log(abs(factor))) + 1)
        weight = factor**order
    elif factor > 0:
        order, weight = _gregory(factor, tolerance)
    else:
        order, weight = _euler(factor)
    order.flags.writeable = weight.flags.writeable = False
    return order, weight


def _gregory(factor, tolerance):
    """Orders and weights for images of one sign."""
    start = np.arange(1.0, FIRST_SMOOTH)
    edge = FIRST_SMOOTH + np.arange(DIFFERENCES + 1.0)
    last = np.log(tolerance) / np.log(factor)
    starts = FIRST_SMOOTH * 2.0 ** np.arange(max(1, np.ceil(np.log2(last / FIRST_SMOOTH))))
    edge_weight, node, share = _rules()
    blocks = (starts[:, None] * (1.5 + 0.5 * node)).ravel()
    lengths = (starts[:, None] * 0.5 * share).ravel()
    order = np.r_[start, edge, blocks]
    return order, factor**order * np.r_[np.ones_like(start), edge_weight, lengths]


@cache
def _rules():
    """Weights of Gregory's formula at the first term, and Gauss's points and weights in a block."""
    return _differences(_gregory_numbers()), *np.polynomial.legendre.leggauss(BLOCK_POINTS)


def _gregory_numbers():
    """1/2, −1/12, 1/24, …: coefficients of z/ln(1 + z) from the first power on."""
    numbers = [1.0]
    for size in range(1, DIFFERENCES + 2):
        numbers.append(-sum(numbers[j] * (-1) ** (size - j) / (size - j + 1) for j in range(size)))
    return np.array(numbers[1:])


def _euler(factor):
    """Orders and weights for images whose sign changes."""
    start = np.arange(1.0, FIRST_SMOOTH)
    edge = FIRST_SMOOTH + np.arange(DIFFERENCES + 5.0)
    sign = np.r_[(-1.0) ** start, _halves(len(edge)) * (-1.0) ** FIRST_SMOOTH]
    order = np.r_[start, edge]
    return order, np.abs(factor) ** order * sign


@cache
def _halves(size):
    """Weights of Euler's transformation at the first terms."""
    return _differences((-0.5) ** np.arange(size) / 2)


def _differences(coefficients):
    """Weights of g(0), g(1), … in Σ_k c_k Δᵏ g(0)."""
    from scipy.special import comb

    k, i = np.meshgrid(np.arange(len(coefficients)), np.arange(len(coefficients)), indexing="ij")
    return (coefficients[:, None] * comb(k, i) * (-1.0) ** (k - i)).sum(axis=0)

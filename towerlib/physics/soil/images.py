"""Sums over the image currents of a two-layer soil, with few terms however strong the contrast."""

from functools import cache, lru_cache

import numpy as np

DIRECT_TERMS = 40  # up to so many images each one is taken as it stands
FIRST_SMOOTH = 16  # from this image on the terms change slowly enough for a rule of high order
DIFFERENCES = 8
BLOCK_POINTS = 12


def reflection(upper_ohm_m, lower_ohm_m):
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
def image_weights(factor, tolerance=1e-10):
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


def _gregory_numbers():
    """1/2, −1/12, 1/24, …: coefficients of z/ln(1 + z) from the first power on."""
    numbers = [1.0]
    for size in range(1, DIFFERENCES + 2):
        numbers.append(-sum(numbers[j] * (-1) ** (size - j) / (size - j + 1) for j in range(size)))
    return np.array(numbers[1:])


def _differences(coefficients):
    """Weights of g(0), g(1), … in Σ_k c_k Δᵏ g(0)."""
    from scipy.special import comb

    k, i = np.meshgrid(np.arange(len(coefficients)), np.arange(len(coefficients)), indexing="ij")
    return (coefficients[:, None] * comb(k, i) * (-1.0) ** (k - i)).sum(axis=0)

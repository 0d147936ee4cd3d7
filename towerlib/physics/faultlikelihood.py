"""Densities of what is read: magnitudes of currents in service, logarithms of impedances without coils."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.faultresponse import WORN_U, ambient_model, impedance_model

BLOCK = 30  # readings whose Bessel functions are multiplied before the logarithm is taken


@dataclass(frozen=True)
class RiceGrid:
    """Rice densities of m towers over s × c sizes of unevenness and drive, ready to be filled with readings.

    With σ² the variance in each quadrature and μ the magnitude: slope μ/σ², half 1/(2σ²), shape (m, s, c);
    constant −ln σ² − μ²/(2σ²), alike.
    """

    rows: np.ndarray
    slope: np.ndarray
    half: np.ndarray
    constant: np.ndarray


@dataclass(frozen=True)
class Normal:
    """Normal density of m logarithms: their mean, the factor that makes residuals white, its log determinant."""

    mean: np.ndarray
    white: np.ndarray
    log_det: float


def rice_log_density(reading, mean, variance):
    """Logarithm of the density of the magnitude of a phasor with complex normal error.

    Parameters
    ----------
    reading, mean : float or array
        Magnitude read, magnitude without error.
    variance : float or array
        E|error|²: twice that of each quadrature.

    Returns
    -------
    float or array

    Notes
    -----
    ln p = ln(x/σ²) − (x−μ)²/(2σ²) + ln I0e(xμ/σ²), σ² half the variance.

    References
    ----------
    S. O. Rice, Mathematical analysis of random noise, Bell Syst. Tech. J. 24 (1945), 3.10 (from memory).

    Examples
    --------
    >>> print(round(rice_log_density(1.0, 0.0, 2.0), 3))
    -0.5
    """
    from scipy.special import i0e

    quadrature = np.asarray(variance, float) / 2.0
    reading, mean = np.asarray(reading, float), np.asarray(mean, float)
    bessel = np.log(i0e(reading * mean / quadrature))
    return np.log(reading / quadrature) - (reading - mean) ** 2 / (2.0 * quadrature) + bessel


def rice_grid(response, forced_a, capacitive_a, relative_u, errors):
    """Rice densities that a response gives the totals read at its towers.

    Parameters
    ----------
    response, forced_a, capacitive_a
        As `ambient_model`.
    relative_u : array, shape (n,)
        Relative uncertainty of the current down each tower: gain and footing.
    errors : Errors
        Own leakage, noise, the sizes to try.

    Returns
    -------
    RiceGrid
    """
    induced, capacitive, uneven_a2 = (
        part[:, None, None] for part in ambient_model(response, forced_a, capacitive_a)
    )
    size, uneven = np.array(errors.scale), np.array(errors.uneven)[:, None]
    mean = np.abs(size * induced + capacitive) + 0.0 * uneven
    spread = (size * uneven) ** 2 * uneven_a2 + errors.own_a**2 + 2.0 * errors.noise_a**2
    worn_u = np.where(
        response.rows == response.worn, WORN_U * (1.0 - response.through[response.rows].real), 0.0
    )
    relative_u = np.hypot(relative_u[response.rows], worn_u)[:, None, None]
    quadrature = (spread + (relative_u * mean) ** 2) / 2.0
    constant = -np.log(quadrature) - mean**2 / (2.0 * quadrature)
    return RiceGrid(response.rows, mean / quadrature, 0.5 / quadrature, constant)


def rice_each(grid, total_a):
    """As `rice_sum`, before the sum over the m towers: shape (copies, m, s, c)."""
    from scipy.special import i0e

    read = total_a[:, grid.rows, None, None]
    along = read * grid.slope
    return along - read**2 * grid.half + grid.constant + np.log(i0e(along))


def rice_sum(grid, total_a):
    """Log likelihood of readings under Rice densities, but for the term ln x that no hypothesis changes.

    Parameters
    ----------
    grid : RiceGrid
        m towers, s × c sizes.
    total_a : array, shape (copies, n)
        Totals read [A].

    Returns
    -------
    array, shape (copies, s, c)
    """
    from scipy.special import i0e

    read = total_a[:, grid.rows]
    summed = (
        np.tensordot(read**2, -grid.half, 1) + np.tensordot(read, grid.slope, 1) + grid.constant.sum(axis=0)
    )
    for start in range(0, len(grid.rows), BLOCK):
        part = slice(start, start + BLOCK)
        summed += np.log(i0e(read[:, part, None, None] * grid.slope[None, part]).prod(axis=1))
    return summed


def impedance_normal(response, footing_u, errors):
    """Normal density of ln|Z| at the towers of a response.

    Parameters
    ----------
    response : Response
        m towers of n.
    footing_u : array, shape (n,)
        Uncertainty of each ln R.
    errors : Errors
        Of readings, wire and stations.

    Returns
    -------
    Normal

    Notes
    -----
    The covariance is that of the reading itself, plus the effects of `impedance_model`.
    """
    mean, load = impedance_model(response, footing_u, errors)
    return normal(mean, load @ load.T + errors.reading**2 * np.eye(len(mean)))


def normal(mean, covariance):
    """Normal density from mean and covariance."""
    lower = np.linalg.cholesky(covariance)
    return Normal(mean, np.linalg.inv(lower), 2.0 * np.log(np.diag(lower)).sum())


def normal_log_density(density, values):
    """Logarithm of a normal density, but for the term of 2π.

    Parameters
    ----------
    density : Normal
        m values.
    values : array, shape (copies, m)

    Returns
    -------
    array, shape (copies,)
    """
    white = (values - density.mean) @ density.white.T
    return -0.5 * ((white**2).sum(axis=1) + density.log_det)

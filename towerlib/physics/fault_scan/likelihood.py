"""Likelihood of readings under each fault: currents in service and impedances read without coils.

Magnitudes in service follow Rice densities, logarithms of impedances a normal density.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from towerlib.physics.fault_scan.response import (
    NONE,
    WORN_U,
    Hypothesis,
    Response,
    ambient_model,
    impedance_model,
    inverse,
    known_footings,
    respond,
)

if TYPE_CHECKING:
    from towerlib.physics.fault_scan.scan import Ambient, Errors, Injected
    from towerlib.physics.ladder import Ladder

BLOCK = 30  # readings whose Bessel functions are multiplied before the logarithm is taken
NO_EFFECT = 1e-2  # a reading with less expected evidence is left out of a hypothesis
WIDE_SCALE = tuple(np.geomspace(0.1, 300.0, 36))  # A, where the forced current is not known at all
LOOSE_SCALE = (0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8)  # around the best size found
FEW, SURE = 8, 2.5  # readings, standard deviations: below, scatter counts as random


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


@dataclass(frozen=True)
class AmbientPart:
    """A round in service, prepared: the filled ladder, its drive, densities without a fault and with each."""

    line: Ladder
    footing_u: np.ndarray
    forced_a: np.ndarray
    capacitive_a: np.ndarray
    scale: tuple
    total_a: np.ndarray
    none: RiceGrid
    each: tuple


@dataclass(frozen=True)
class InjectedPart:
    """A round of injected tests, prepared: the filled ladder, and per hypothesis rows and two densities."""

    line: Ladder
    footing_u: np.ndarray
    log_ohm: np.ndarray
    reading_u: float
    each: tuple


def ambient_part(
    survey: Ambient, hypotheses: Sequence[Hypothesis], errors: Errors, reach: int
) -> AmbientPart:
    """A round in service, prepared for a list of hypotheses.

    Parameters
    ----------
    survey : Ambient
        n towers.
    hypotheses : list of (str, int)
        As of `possible`.
    errors : Errors
        Their sizes of the drive serve where the survey knows its drive.
    reach : int
        Number of towers on either side of a fault whose readings are used.

    Returns
    -------
    AmbientPart
    """
    line, footing_u = known_footings(survey.line, errors.footing, errors.usual_spread)
    node_ohm, read = inverse(line), np.flatnonzero(~np.isnan(survey.total_a))
    relative_u, drive = np.hypot(errors.gain, footing_u), _drive(survey)
    if survey.forced_a is None:
        drive = (_fitted_size(survey, line, node_ohm, hypotheses, relative_u, errors) * drive[0], drive[1])
        errors = replace(errors, scale=LOOSE_SCALE)
    none = rice_grid(respond(line, node_ohm, NONE, read), *drive, relative_u, errors)
    each = []
    for hypothesis in hypotheses:
        near = np.flatnonzero(np.abs(read - hypothesis[1]) <= reach)
        grid = rice_grid(respond(line, node_ohm, hypothesis, read[near]), *drive, relative_u, errors)
        kept = _informative(grid, none, near)
        each.append((near[kept], _rows(grid, kept)))
    return AmbientPart(line, footing_u, *drive, errors.scale, survey.total_a, none, tuple(each))


def _drive(survey):
    """Forced current of each span and capacitive current at each tower, as arrays [A]."""
    count = len(survey.line.tower_s)
    forced_a = 1.0 if survey.forced_a is None else survey.forced_a
    return np.broadcast_to(forced_a, count - 1), np.broadcast_to(survey.capacitive_a, count)


def _fitted_size(survey, line, node_ohm, hypotheses, relative_u, errors):
    """Size of the forced current that fits the totals best, with one span open at most [A]."""
    wide, read = replace(errors, scale=WIDE_SCALE), np.flatnonzero(~np.isnan(survey.total_a))
    likely = []
    for fault in [NONE, *(fault for fault in hypotheses if fault[0] == "span")]:
        grid = rice_grid(respond(line, node_ohm, fault, read), *_drive(survey), relative_u, wide)
        likely.append(rice_sum(grid, survey.total_a[None])[0].max(axis=0))
    return WIDE_SCALE[int(np.argmax(np.max(likely, axis=0)))]


def _informative(grid, none, near):
    """Readings near a fault that distinguish it from none, at any size of the drive."""
    shift = (grid.slope / grid.half - none.slope[near] / none.half[near]) / 2.0
    apart = shift**2 * none.half[near] + np.log(grid.half / none.half[near]) ** 2
    return np.flatnonzero(apart.max(axis=(1, 2), initial=0.0) > NO_EFFECT)


def _rows(grid, keep):
    """Some of the towers of a grid."""
    return RiceGrid(grid.rows[keep], grid.slope[keep], grid.half[keep], grid.constant[keep])


def injected_part(
    survey: Injected, hypotheses: Sequence[Hypothesis], errors: Errors, reach: int
) -> InjectedPart:
    """A round of injected tests, prepared for a list of hypotheses; as `ambient_part`, of an `Injected`."""
    line, footing_u = known_footings(survey.line, errors.footing, errors.usual_spread)
    node_ohm, read = inverse(line), np.flatnonzero(~np.isnan(survey.impedance_ohm))
    mean, load = impedance_model(respond(line, node_ohm, NONE, read), footing_u, errors)
    covariance, each = load @ load.T + errors.reading**2 * np.eye(len(read)), []
    for hypothesis in hypotheses:
        near = np.flatnonzero(np.abs(read - hypothesis[1]) <= reach)
        faulty = impedance_normal(respond(line, node_ohm, hypothesis, read[near]), footing_u, errors)
        each.append((read[near], faulty, normal(mean[near], covariance[np.ix_(near, near)])))
    return InjectedPart(line, footing_u, np.log(survey.impedance_ohm), errors.reading, tuple(each))


def scatter(parts: Sequence[InjectedPart], hypotheses: Sequence[Hypothesis], errors: Errors) -> float:
    """Scatter of readings without coils over the stated one, one fault allowed for.

    Parameters
    ----------
    parts : list of InjectedPart
        Rounds.
    hypotheses : list of (str, int)
        Of the same rounds.
    errors : Errors
        Stated errors.

    Returns
    -------
    float
        1 where the excess is not significant, or readings are few.

    Notes
    -----
    1.4826 times the median of the residuals' sizes, which a few more faults do not move; one of m readings has
    a standard deviation of 1.17/√m.

    References
    ----------
    F. R. Hampel, J. Am. Stat. Assoc. 69 (1974), on the median absolute deviation (from memory).
    """
    if not parts:
        return 1.0
    logs = [part.log_ohm[None] for part in parts]
    from_each = np.ravel(injected_scores(parts, logs, range(len(hypotheses))))
    best = hypotheses[int(np.argmax(from_each))] if np.max(from_each) > 0 else NONE
    residuals = np.concatenate([_residuals(part, best, errors) for part in parts])
    excess = 1.4826 * np.median(np.abs(residuals))
    certain = len(residuals) >= FEW and excess > 1.0 + SURE * 1.17 / np.sqrt(len(residuals))
    return float(excess) if certain else 1.0


def _residuals(part, fault, errors):
    """Residuals of a round in their own standard deviations, the shared part removed."""
    read = np.flatnonzero(~np.isnan(part.log_ohm))
    if not len(read):
        return np.zeros(0)
    mean, load = impedance_model(respond(part.line, inverse(part.line), fault, read), part.footing_u, errors)
    apart = part.log_ohm[read] - mean
    own = np.delete(load, len(part.footing_u), axis=1)  # without the wire, whose error all readings share
    return (apart - np.median(apart)) / np.sqrt((own**2).sum(axis=1) + part.reading_u**2)


def ambient_scores(
    parts: Sequence[AmbientPart], totals: Sequence[np.ndarray], cases: Sequence[int]
) -> float | np.ndarray:
    """Evidence ln L_h − ln L_none of rounds in service together, shape (copies, cases).

    The best size of the drive is chosen per round, the best unevenness for all rounds together.
    """
    if not parts:
        return 0.0
    rounds = [ambient_tables(part, total_a, cases) for part, total_a in zip(parts, totals, strict=True)]
    best = [
        np.sum([table.max(axis=2) for table in tables], axis=0).max(axis=1)
        for tables in zip(*rounds, strict=True)
    ]
    return np.stack(best[1:], axis=1) - best[0][:, None]


def ambient_tables(
    part: AmbientPart, total_a: np.ndarray, cases: Iterable[int] | None = None
) -> Iterator[np.ndarray]:
    """Log likelihood of totals without a fault, and with each.

    Parameters
    ----------
    part : AmbientPart
        Hypotheses.
    total_a : array, shape (copies, n)
        Totals [A].
    cases : iterable of int, optional
        Hypotheses to test; all where not given.

    Yields
    ------
    array, shape (copies, s, c)
        First without a fault, then with each.
    """
    single = rice_each(part.none, total_a)
    whole = single.sum(axis=1)
    yield whole
    for case in range(len(part.each)) if cases is None else cases:
        place, grid = part.each[case]
        yield whole - single[:, place].sum(axis=1) + rice_sum(grid, total_a) if len(place) else whole


def injected_scores(
    parts: Sequence[InjectedPart], logs: Sequence[np.ndarray], cases: Sequence[int]
) -> float | np.ndarray:
    """Evidence ln L_h − ln L_none of rounds of injected tests together, shape (copies, cases)."""
    total = 0.0
    for part, log_ohm in zip(parts, logs, strict=True):
        chosen = [part.each[case] for case in cases]
        score = [
            normal_log_density(faulty, log_ohm[:, rows]) - normal_log_density(none, log_ohm[:, rows])
            for rows, faulty, none in chosen
        ]
        total = total + np.stack(score, axis=1)
    return total


def fitted_drive(
    parts: Sequence[AmbientPart], cases: Sequence[int], from_injected: np.ndarray
) -> tuple[int, list[int]]:
    """Unevenness, and size of the drive of each round, that fit the readings best, with one fault at most.

    Parameters
    ----------
    parts : list of AmbientPart
        Rounds.
    cases : sequence of int
        All hypotheses.
    from_injected : array, shape (cases,)
        Evidence of the injected tests for each.

    Returns
    -------
    tuple of int and list of int
        Indices in the sizes tried.
    """
    tables = np.array(
        [[table[0] for table in ambient_tables(part, part.total_a[None], cases)] for part in parts]
    )
    by_uneven = tables.max(axis=3).sum(axis=0)
    best = int(np.argmax(by_uneven.max(axis=1) + np.r_[0.0, from_injected]))
    uneven = int(np.argmax(by_uneven[best]))
    return uneven, [int(np.argmax(table[best, uneven])) for table in tables]


def rice_grid(
    response: Response, forced_a: np.ndarray, capacitive_a: np.ndarray, relative_u: np.ndarray, errors: Errors
) -> RiceGrid:
    """Rice densities of the totals at the towers of a response.

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
        response.rows == response.worn, WORN_U * (1.0 - np.real(response.through[response.rows])), 0.0
    )
    relative_u = np.hypot(relative_u[response.rows], worn_u)[:, None, None]
    quadrature = (spread + (relative_u * mean) ** 2) / 2.0
    constant = -np.log(quadrature) - mean**2 / (2.0 * quadrature)
    return RiceGrid(response.rows, mean / quadrature, 0.5 / quadrature, constant)


def rice_each(grid: RiceGrid, total_a: np.ndarray) -> np.ndarray:
    """As `rice_sum`, before the sum over the m towers: shape (copies, m, s, c)."""
    from scipy.special import i0e

    read = total_a[:, grid.rows, None, None]
    along = read * grid.slope
    return along - read**2 * grid.half + grid.constant + np.log(i0e(along))


def rice_sum(grid: RiceGrid, total_a: np.ndarray) -> np.ndarray:
    """Log likelihood of readings under Rice densities, except for the term ln x that no hypothesis changes.

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


def impedance_normal(response: Response, footing_u: np.ndarray, errors: Errors) -> Normal:
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


def normal(mean: np.ndarray, covariance: np.ndarray) -> Normal:
    """Normal density from mean and covariance."""
    lower = np.linalg.cholesky(covariance)
    return Normal(mean, np.linalg.inv(lower), 2.0 * np.log(np.diag(lower)).sum())


def normal_log_density(density: Normal, values: np.ndarray) -> np.ndarray:
    """Logarithm of a normal density, except for the term of 2π.

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

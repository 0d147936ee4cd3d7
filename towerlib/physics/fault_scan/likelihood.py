"""Likelihood of readings under each fault: currents in service and impedances read without coils.

Magnitudes in service follow Rice densities, logarithms of impedances a normal density.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from towerlib.physics.fault_scan.response import (
    NONE,
    WORN_U,
    Couplings,
    Hypothesis,
    Response,
    ambient_model,
    coupled,
    impedance_model,
    inverse,
    known_footings,
    piece_of,
    respond,
)

if TYPE_CHECKING:
    from towerlib.physics.fault_scan.scan import Ambient, Errors, Injected
    from towerlib.physics.ladder import Ladder

BLOCK = 30  # readings whose Bessel functions are multiplied before the logarithm is taken
BATCH = 64  # hypotheses whose densities are computed at once
CACHE = 32_000  # numbers that the cache of a processor holds a few times
FAR_SQUARE = 1e-4  # relative coupling whose square no longer counts
NO_EFFECT = 1e-2  # a reading with less expected evidence is left out of a hypothesis
WIDE_SCALE = tuple(np.geomspace(0.1, 300.0, 36))  # A, where the forced current is not known at all
LOOSE_SCALE = (0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8)  # around the best size found
FEW, SURE = 8, 2.5  # readings, standard deviations: below, scatter counts as random

ABOVE = np.array(
    [
        0.09615469538005472,
        -0.1627002230071406,
        0.4517176897812236,
        -0.712859029847776,
        1.0357032042604117,
        -1.1168926350362367,
        0.8675605480276616,
        -0.5167405998536315,
        0.13122405288719702,
        -0.024556182238865795,
    ]
)
BELOW = np.array(
    [
        0.08586907327352777,
        -0.16763685704268594,
        0.41399645455934897,
        -0.7247428656584267,
        1.0023031188238485,
        -1.1151580820767881,
        0.9191464242492229,
        -0.5035033376762674,
        0.16104511016218512,
        -0.02270751818219909,
    ]
)


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
    """A round in service, prepared for a list of hypotheses; readings further than `reach` towers from a fault stay out.

    The sizes of the drive in `errors` serve where the survey knows its drive.
    """
    line, footing_u = known_footings(survey.line, errors.footing, errors.usual_spread)
    node_ohm, read = inverse(line), np.flatnonzero(~np.isnan(survey.total_a))
    relative_u, drive = np.hypot(errors.gain, footing_u), _drive(survey)
    couplings = Couplings.of(line, node_ohm, *drive, reach)
    if survey.forced_a is None:
        size = _fitted_size(survey, couplings, hypotheses, relative_u, errors)
        drive, errors = (size * drive[0], drive[1]), replace(errors, scale=LOOSE_SCALE)
        couplings = Couplings.of(line, node_ohm, *drive, reach)
    none = rice_grid(respond(line, node_ohm, NONE, read), *drive, relative_u, errors)
    each = []
    for faults, near, inside in _near(hypotheses, read, reach):
        rows = read[near]
        parts = _rice(
            *couplings.under(faults, rows), _relative_u(couplings, faults, rows, relative_u), errors
        )
        informative = _informative(parts, none, near) & inside
        each += [
            (near[k, kept], RiceGrid(rows[k, kept], *(part[k, kept] for part in parts)))
            for k, kept in enumerate(informative)
        ]
    return AmbientPart(line, footing_u, *drive, errors.scale, survey.total_a, none, tuple(each))


def _near(hypotheses, read, reach):
    """Batches of hypotheses, the readings within reach of each (h, m), and which of these entries are any."""
    place = np.array([position for _, position in hypotheses], int)
    first, last = np.searchsorted(read, place - reach), np.searchsorted(read, place + reach, "right")
    for start in range(0, len(hypotheses), BATCH):
        batch = slice(start, start + BATCH)
        near = first[batch, None] + np.arange((last - first)[batch].max(initial=0))
        yield hypotheses[batch], np.minimum(near, max(len(read) - 1, 0)), near < last[batch, None]


def _relative_u(couplings, faults, rows, relative_u):
    """Relative uncertainty of the currents (h, m): that of gain and footing, and of the size of a worn bond at its tower."""
    worn = np.array([position if kind == "worn" else -1 for kind, position in faults], int)
    through = couplings.through_worn[worn]
    return np.hypot(relative_u[rows], np.where(rows == worn[:, None], WORN_U * (1.0 - through)[:, None], 0.0))


def _drive(survey):
    """Forced current of each span and capacitive current at each tower, as arrays [A]."""
    count = len(survey.line.tower_s)
    forced_a = 1.0 if survey.forced_a is None else survey.forced_a
    return np.broadcast_to(forced_a, count - 1), np.broadcast_to(survey.capacitive_a, count)


def _fitted_size(survey, couplings, hypotheses, relative_u, errors):
    """Size of the forced current that fits the totals best, with one span open at most [A]."""
    wide, read = replace(errors, scale=WIDE_SCALE), np.flatnonzero(~np.isnan(survey.total_a))
    total_a, rows = survey.total_a[None], read[None]
    sound = _rice(*couplings.under([NONE], rows), relative_u[rows], wide)
    single = rice_each(RiceGrid(read, *(part[0] for part in sound)), total_a)[0]
    whole = single.sum(axis=0)
    best, spans = whole.max(axis=0), [fault for fault in hypotheses if fault[0] == "span"]
    for faults, near, inside in _near(spans, read, couplings.reach):
        rows = read[near]
        parts = _rice(*couplings.under(faults, rows), relative_u[rows], wide)
        for k, kept in enumerate(inside):
            grid = RiceGrid(rows[k, kept], *(part[k, kept] for part in parts))
            likely = whole - single[near[k, kept]].sum(axis=0) + rice_sum(grid, total_a)[0]
            best = np.maximum(best, likely.max(axis=0))
    return WIDE_SCALE[int(np.argmax(best))]


def _informative(parts, none, near):
    """Whether readings near a fault distinguish it from none, at any size of the drive (h, m)."""
    slope, half, _ = parts
    shift = (slope / half - none.slope[near] / none.half[near]) / 2.0
    apart = shift**2 * none.half[near] + np.log(half / none.half[near]) ** 2
    return apart.max(axis=(2, 3), initial=0.0) > NO_EFFECT


def injected_part(
    survey: Injected, hypotheses: Sequence[Hypothesis], errors: Errors, reach: int
) -> InjectedPart:
    """A round of injected tests, prepared for a list of hypotheses; as `ambient_part`, of an `Injected`."""
    line, footing_u = known_footings(survey.line, errors.footing, errors.usual_spread)
    node_ohm, read = inverse(line), np.flatnonzero(~np.isnan(survey.impedance_ohm))
    mean, load = impedance_model(respond(line, node_ohm, NONE, read), footing_u, errors)
    covariance, each, sound = load @ load.T + errors.reading**2 * np.eye(len(read)), [], {}
    window, count = reach + coupled(node_ohm, FAR_SQUARE), len(footing_u)
    for kind, position in hypotheses:
        first, last = np.searchsorted(read, (position - reach, position + reach + 1))
        near = read[first:last]
        if position not in sound:
            sound[position] = normal(mean[first:last], covariance[first:last, first:last])
        part = slice(max(0, position - window), min(count, position + window + 2))
        response = respond(
            piece_of(line, part), node_ohm[part, part], (kind, position - part.start), near - part.start
        )
        each.append((near, impedance_normal(response, footing_u[part], errors), sound[position]))
    return InjectedPart(line, footing_u, np.log(survey.impedance_ohm), errors.reading, tuple(each))


def scatter(parts: Sequence[InjectedPart], hypotheses: Sequence[Hypothesis], errors: Errors) -> float:
    """Scatter of readings without coils over the stated one, one fault allowed for.

    1 where the excess is not significant, or readings are few. 1.4826 times the median of the residuals' sizes, which a
    few more faults do not move (F. R. Hampel, J. Am. Stat. Assoc. 69 (1974), from memory); one of m readings has a
    standard deviation of 1.17/√m.
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
    best = [_best(tables) for tables in zip(*rounds, strict=True)]
    return np.stack(best[1:], axis=1) - best[0][:, None]


def _best(tables):
    """Log likelihood of rounds together, at the best sizes of the drive, shape (copies,)."""
    return np.sum([table.max(axis=2) for table in tables], axis=0).max(axis=1)


@dataclass(frozen=True)
class SoundRound:
    """Simulated totals of a round without a fault: log likelihoods of the m readings (copies, m, s, c), and their sum."""

    part: AmbientPart
    single: np.ndarray
    whole: np.ndarray

    @classmethod
    def of(cls, part: AmbientPart, total_a: np.ndarray) -> SoundRound:
        """Log likelihoods of totals of shape (copies, n) [A]."""
        single = rice_each(part.none, total_a)
        return cls(part, single, single.sum(axis=1))

    def changed(self, total_a: np.ndarray, case: int, window: slice) -> tuple[np.ndarray, np.ndarray]:
        """Log likelihoods (copies, s, c) without the fault of a case and with it, of totals changed in a window of towers."""
        none, (place, grid) = self.part.none, self.part.each[case]
        first, last = np.searchsorted(none.rows, (window.start, window.stop))
        beside = np.setdiff1d(np.arange(first, last), place)
        others = self.whole - self.single[:, first:last].sum(axis=1) + rice_sum(_rows(none, beside), total_a)
        return others + rice_sum(_rows(none, place), total_a), _with_fault(others, grid, total_a)


def _rows(grid, keep):
    """Some of the towers of a grid."""
    return RiceGrid(grid.rows[keep], grid.slope[keep], grid.half[keep], grid.constant[keep])


def changed_scores(
    rounds: Sequence[SoundRound], totals: Sequence[np.ndarray], case: int, window: slice
) -> float | np.ndarray:
    """Evidence as `ambient_scores`, shape (copies,), of totals that a fault has changed in a window of towers."""
    if not rounds:
        return 0.0
    tables = [one.changed(total_a, case, window) for one, total_a in zip(rounds, totals, strict=True)]
    none, fault = (_best(both) for both in zip(*tables, strict=True))
    return fault - none


def ambient_tables(
    part: AmbientPart, total_a: np.ndarray, cases: Iterable[int] | None = None
) -> Iterator[np.ndarray]:
    """Log likelihood (copies, s, c) of totals [A], shape (copies, n): first without a fault, then with each of the cases."""
    single = rice_each(part.none, total_a)
    whole = single.sum(axis=1)
    yield whole
    for case in range(len(part.each)) if cases is None else cases:
        place, grid = part.each[case]
        yield _with_fault(whole - single[:, place].sum(axis=1), grid, total_a) if len(place) else whole


def _with_fault(others, grid, total_a):
    """Log likelihood (copies, s, c) of all readings; −inf at sizes of the drive that cannot be the best in any copy.

    (1 + 2πz)^−½ ≤ e^−z·I0(z) ≤ (1 + 2z)^−½ tell which sizes these are, before any Bessel function is computed.
    """
    read = total_a[:, grid.rows]
    flat = others + _without_bessel(grid, read)
    least, most = read.min(axis=0)[:, None, None], read.max(axis=0)[:, None, None]
    above = flat - 0.5 * np.log1p(2.0 * least * grid.slope).sum(axis=0)
    below = flat - 0.5 * np.log1p(2.0 * np.pi * most * grid.slope).sum(axis=0)
    asked = (above >= below.max(axis=2, keepdims=True)).any(axis=0)
    table = np.full(flat.shape, -np.inf)
    table[:, asked] = flat[:, asked] + _bessel_sum(read, grid.slope[:, asked])
    return table


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

    Indices in the sizes tried; `from_injected` is the evidence of the injected tests for each case.
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
    """Rice densities of the totals at the towers of a response, under a drive as of `ambient_model`.

    `relative_u` (n,) is the relative uncertainty of the current down each tower: gain and footing.
    """
    worn_u = np.where(
        response.rows == response.worn, WORN_U * (1.0 - np.real(response.through[response.rows])), 0.0
    )
    parts = ambient_model(response, forced_a, capacitive_a)
    return RiceGrid(response.rows, *_rice(*parts, np.hypot(relative_u[response.rows], worn_u), errors))


def _rice(induced, capacitive, uneven_a2, relative_u, errors):
    """Slope, half and constant of Rice densities, shape (…, s, c), of currents and their uncertainty, shape (…)."""
    induced, capacitive, uneven_a2, relative_u = (
        part[..., None, None] for part in (induced, capacitive, uneven_a2, relative_u)
    )
    size, uneven = np.array(errors.scale), np.array(errors.uneven)[:, None]
    mean = np.abs(size * induced + capacitive) + 0.0 * uneven
    spread = (size * uneven) ** 2 * uneven_a2 + errors.own_a**2 + 2.0 * errors.noise_a**2
    quadrature = (spread + (relative_u * mean) ** 2) / 2.0
    half = 0.5 / quadrature
    return mean / quadrature, half, -np.log(quadrature) - mean**2 * half


def rice_each(grid: RiceGrid, total_a: np.ndarray) -> np.ndarray:
    """As `rice_sum`, before the sum over the m towers: shape (copies, m, s, c)."""
    read = total_a[:, grid.rows, None, None]
    along = read * grid.slope
    flat = along - read**2 * grid.half + grid.constant
    for copy, z in zip(flat, along, strict=True):  # one by one: the pieces stay in the cache of the processor
        copy += 0.5 * np.log(_square_bessel(z))
    return flat


def rice_sum(grid: RiceGrid, total_a: np.ndarray) -> np.ndarray:
    """Log likelihood (copies, s, c) of totals [A], shape (copies, n), under Rice densities of m towers.

    Except for the term ln x, which no hypothesis changes.
    """
    read = total_a[:, grid.rows]
    cells = _bessel_sum(read, _flat(grid.slope))
    return _without_bessel(grid, read) + cells.reshape(len(read), *grid.slope.shape[1:])


def _without_bessel(grid, read):
    """Sum of the Rice densities without ln(e^−z·I0(z)), shape (copies, s, c)."""
    parts = np.hstack([read**2, read]) @ np.vstack([_flat(-grid.half), _flat(grid.slope)])
    return parts.reshape(len(read), *grid.slope.shape[1:]) + grid.constant.sum(axis=0)


def _flat(table):
    """A table (m, s, c) with its cells side by side."""
    return table.reshape(len(table), math.prod(table.shape[1:]))


def _bessel_sum(read, slope):
    """Sum of ln(e^−z·I0(z)), z = read × slope, over m towers: shapes (copies, m) and (m, cells) to (copies, cells)."""
    summed, cells = (
        np.zeros((len(read), slope.shape[1])),
        max(1, CACHE // max(1, min(BLOCK, len(slope)) * len(read))),
    )
    for start in range(0, len(slope), BLOCK):
        part = slice(start, start + BLOCK)
        for first in range(0, slope.shape[1], cells):
            block = slice(first, first + cells)
            z = read[:, part, None] * slope[None, part, block]
            summed[:, block] += 0.5 * np.log(_square_bessel(z).prod(axis=1))
    return summed


def _square_bessel(z):
    """(e^−z·I0(z))² for z ≥ 0 within 1e-8 of its value: a rational function, some times faster than `scipy.special.i0e`.

    (1 + 2πz)·(e^−z·I0(z))² = P(x)/Q(x) with x = (4 − z)/(4 + z), fitted to `i0e` in Chebyshev points of x.
    """
    x = z + 4.0
    np.divide(8.0, x, out=x)
    x -= 1.0
    above, below = _polynomial(x, ABOVE), _polynomial(x, BELOW)
    below *= 1.0 + 2.0 * np.pi * z
    above /= below
    return above


def _polynomial(x, coefficients):
    """A polynomial by Horner's rule, lowest power first."""
    value = x * coefficients[-1]
    for coefficient in coefficients[-2:0:-1]:
        value += coefficient
        value *= x
    value += coefficients[0]
    return value


def impedance_normal(response: Response, footing_u: np.ndarray, errors: Errors) -> Normal:
    """Normal density of ln|Z| at the towers of a response, `footing_u` (n,) being the uncertainty of each ln R.

    The covariance is that of the reading itself, plus the effects of `impedance_model`.
    """
    mean, load = impedance_model(response, footing_u, errors)
    return normal(mean, load @ load.T + errors.reading**2 * np.eye(len(mean)))


def normal(mean: np.ndarray, covariance: np.ndarray) -> Normal:
    """Normal density from mean and covariance."""
    lower = np.linalg.cholesky(covariance)
    return Normal(mean, np.linalg.inv(lower), 2.0 * np.log(np.diag(lower)).sum())


def normal_log_density(density: Normal, values: np.ndarray) -> np.ndarray:
    """Logarithm (copies,) of a normal density of m values, shape (copies, m), except for the term of 2π."""
    white = (values - density.mean) @ density.white.T
    return -0.5 * ((white**2).sum(axis=1) + density.log_det)

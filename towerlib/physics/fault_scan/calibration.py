"""Calibration of the scan: simulated lines with the stated errors, without a fault and with each fault.

Lines without a fault set the weights and the threshold. Lines with a fault give its probability of detection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from towerlib.physics.fault_scan.likelihood import (
    AmbientPart,
    InjectedPart,
    SoundRound,
    ambient_scores,
    changed_scores,
    fitted_drive,
    injected_scores,
)
from towerlib.physics.fault_scan.response import Hypothesis, coupled, inverse

if TYPE_CHECKING:
    from towerlib.physics.fault_scan.scan import Errors, ScanOptions

FELT = 1e-3  # relative coupling below which a fault leaves a simulated reading as it is


@dataclass(frozen=True)
class Calibration:
    """Weights and threshold from simulated lines without a fault; h hypotheses.

    Attributes
    ----------
    uneven : float
        Unevenness of the drive in the simulated lines.
    scale : tuple of float
        Size of the drive of each round in service.
    ambient_weight, injected_weight : array, shape (h,)
        Weight of each part of a score, 0 to 1.
    threshold : float
        Exceeded by the largest score in the stated share of the simulated lines; 0 at least.
    """

    uneven: float
    scale: tuple[float, ...]
    ambient_weight: np.ndarray
    injected_weight: np.ndarray
    threshold: float


def calibrate(
    ambient: Sequence[AmbientPart],
    injected: Sequence[InjectedPart],
    errors: Errors,
    options: ScanOptions,
    rng: np.random.Generator,
) -> tuple[Calibration, np.ndarray, np.ndarray]:
    """Weights and threshold from simulated lines without a fault.

    Beside them the parts of the score of the readings themselves, in service and injected (h,), before their weights.
    """
    cases = range(len((ambient or injected)[0].each))
    from_injected = injected_scores(injected, [part.log_ohm[None] for part in injected], cases)
    from_injected = np.broadcast_to(from_injected, (1, len(cases)))[0]
    uneven, scale = 0.0, ()
    if ambient:
        place, sizes = fitted_drive(ambient, cases, from_injected)
        uneven = errors.uneven[place]
        scale = tuple(part.scale[size] for part, size in zip(ambient, sizes, strict=True))
    from_ambient = ambient_scores(ambient, [part.total_a[None] for part in ambient], cases)
    from_ambient = np.broadcast_to(from_ambient, (1, len(cases)))[0]
    served, tested = simulated(ambient, injected, options.copies, (uneven, scale), errors, rng)
    totals, logs = [one.totals() for one in served], [one.logs() for one in tested]
    shape = (options.copies, len(cases))
    by_chance = [
        np.broadcast_to(ambient_scores(ambient, totals, cases), shape),
        np.broadcast_to(injected_scores(injected, logs, cases), shape),
    ]
    ambient_weight, injected_weight = (weight(scores) for scores in by_chance)
    weighted = ambient_weight * by_chance[0] + injected_weight * by_chance[1]
    largest = weighted.max(axis=1, initial=-np.inf)
    threshold = max(0.0, float(np.quantile(largest, 1.0 - options.false_alarm, method="higher")))
    calibration = Calibration(uneven, scale, ambient_weight, injected_weight, threshold)
    return calibration, from_ambient, from_injected


def weight(scores: np.ndarray) -> np.ndarray:
    """Largest w from 0 to 1 for which the mean of exp(w·score) over lines without a fault is at most 1.

    Parameters
    ----------
    scores : array, shape (copies, h)
        ln L_h − ln L_none of each simulated line.

    Returns
    -------
    array, shape (h,)

    Notes
    -----
    A true likelihood ratio has mean 1 where there is no fault, and w = 1. Readings that are treated as
    independent and are not scatter the score too widely, and w comes out smaller: for a normal score of mean
    m and variance V it is −2m/V.

    Examples
    --------
    >>> print(weight(np.array([[-1.0], [-1.0]])), weight(np.array([[1.0], [2.0]])))
    [1.] [0.]
    """
    low, high = np.zeros(scores.shape[1]), np.ones(scores.shape[1])
    for step in range(30):
        middle = high if step == 0 else (low + high) / 2.0
        exponent = middle * scores
        top = exponent.max(axis=0)
        fits = top + np.log(np.exp(exponent - top).mean(axis=0)) <= 1e-12
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    return np.where(low < 1e-6, 0.0, low)


def powers(
    ambient: Sequence[AmbientPart],
    injected: Sequence[InjectedPart],
    calibration: Calibration,
    hypotheses: Sequence[Hypothesis],
    errors: Errors,
    options: ScanOptions,
    rng: np.random.Generator,
) -> np.ndarray:
    """Probability that each of h hypotheses would pass the threshold if it were true; NaN for worn bonds.

    By its own score alone: a fault that only shows as another one is not detected. One set of simulated lines serves
    all: each fault changes the readings about it by a rank-one update, and readings that feel it by less than
    `FELT` stay as they are.
    """
    found, drive = np.full(len(hypotheses), np.nan), (calibration.uneven, calibration.scale)
    served, tested = simulated(ambient, injected, options.power_copies, drive, errors, rng)
    sound = [SoundRound.of(one.part, one.totals()) for one in served]
    felt = max(options.reach_towers, *(coupled(inverse(one.part.line), FELT) for one in (*served, *tested)))
    for case, (kind, position) in enumerate(hypotheses):
        if kind == "worn":
            continue
        window = slice(max(0, position - felt), position + felt + 2)
        score = calibration.ambient_weight[case] * changed_scores(
            sound, [one.totals((kind, position), window) for one in served], case, window
        )
        logs = [one.logs((kind, position), window) for one in tested]
        score = score + calibration.injected_weight[case] * np.ravel(injected_scores(injected, logs, [case]))
        found[case] = (score > calibration.threshold).mean()
    return found


def simulated(
    ambient: Sequence[AmbientPart],
    injected: Sequence[InjectedPart],
    count: int,
    drive: tuple[float, Sequence[float]],
    errors: Errors,
    rng: np.random.Generator,
) -> tuple[list[Served], list[Tested]]:
    """Rounds on `count` simulated lines that differ from the entered one by its stated errors, without a fault.

    `drive` is the unevenness, and the size of each round in service. Footings, wire, stations and the unevenness are the
    same in all rounds of a simulated line.
    """
    size = len((ambient or injected)[0].line.tower_s)
    deviates = [rng.standard_normal((rows, count)) for rows in (size, 1, size)]
    normal = rng.standard_normal((2, size - 1, count)) / np.sqrt(2.0)
    factor = 1.0 + drive[0] * (normal[0] + 1j * normal[1])
    built = [_Copy.of(part, deviates, errors) for part in (*ambient, *injected)]
    served = [
        Served.of(copy, part, size_a * factor, errors, rng)
        for copy, part, size_a in zip(built, ambient, drive[1], strict=False)
    ]
    return served, [
        Tested.of(copy, part, rng) for copy, part in zip(built[len(ambient) :], injected, strict=True)
    ]


@dataclass(frozen=True)
class _Copy:
    """Simulated ladders of a round, shape (n, copies); an open bond has 0 in `tower_s` and `bond_ohm`."""

    footing_ohm: np.ndarray
    bond_ohm: np.ndarray
    tower_s: np.ndarray
    node_s: np.ndarray
    span_s: np.ndarray

    @classmethod
    def of(cls, part, deviates, errors):
        """Ladders from the deviations of footings, wire and stations."""
        line, (footing, wire, station) = part.line, deviates
        is_open = np.isinf(line.bond_ohm)[:, None]
        bond_ohm = np.where(is_open, 0.0, line.bond_ohm[:, None]) + np.zeros(footing.shape)
        footing_ohm = line.footing_ohm[:, None] * np.exp(part.footing_u[:, None] * footing)
        tower_s = ~is_open / (footing_ohm + bond_ohm)
        node_s = tower_s + line.station_s[:, None] * np.exp(-errors.station * station)
        return cls(footing_ohm, bond_ohm, tower_s, node_s, line.span_s[:, None] * np.exp(-errors.wire * wire))

    @cached_property
    def _ways(self):
        """Impedance of each node [Ω], and the share of its potential that the next node and the one before take."""
        nothing, g = np.zeros(self.node_s.shape), self.span_s
        before = _eliminated(self.node_s, g, nothing)[0] + self.node_s
        behind = _eliminated(self.node_s[::-1], g[::-1], nothing)[0][::-1] + self.node_s
        on, back = (g / (g + rest + (g + rest == 0)) for rest in (behind[1:], before[:-1]))
        return 1.0 / (before + behind - self.node_s), on, back

    def column(self, position, window):
        """Potential of the nodes of a window per ampere into one of them [Ω], shape (w, copies)."""
        own_ohm, on, back = self._ways
        begin, end = window.start, min(window.stop, len(own_ohm))
        behind = np.cumprod(on[position : end - 1], axis=0)
        before = np.cumprod(back[begin:position][::-1], axis=0)[::-1]
        return own_ohm[position] * np.concatenate([before, np.ones((1, own_ohm.shape[1])), behind])

    def without(self, fault, window):
        """With a bond or a span open: change of the inverse as the vector v and the factor t of t·v·vᵀ."""
        kind, position = fault
        v, at = self.column(position, window), position - window.start
        if kind == "bond":
            y = self.tower_s[position]
            return v, y / (1.0 - y * v[at])
        v, g = v - self.column(position + 1, window), self.span_s[position]
        return v, g / (1.0 - g * (v[at] - v[at + 1]))


@dataclass(frozen=True)
class Served:
    """A round in service on simulated lines: potentials of the wire [V], drive of the spans [A], errors of the readings."""

    part: AmbientPart
    copy: _Copy
    wire_v: np.ndarray
    live_a: np.ndarray
    gain: np.ndarray
    own_a: np.ndarray

    @classmethod
    def of(cls, copy, part, factor, errors, rng):
        """Lines under a drive of that size."""
        live_a = (copy.span_s != 0) * factor * part.forced_a[:, None]
        drive_a = np.zeros(copy.node_s.shape, complex) + part.capacitive_a[:, None]
        drive_a[:-1] -= live_a
        drive_a[1:] += live_a
        wire_v, shape = node_potentials(copy.node_s, copy.span_s, drive_a), drive_a.shape
        own_a = np.sqrt(errors.own_a**2 / 2.0 + errors.noise_a**2)
        own = own_a * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
        return cls(part, copy, wire_v, live_a, errors.gain * rng.standard_normal(shape), own)

    @cached_property
    def _sound(self):
        """Totals without a fault."""
        return np.abs(self.copy.tower_s * self.wire_v * (1.0 + self.gain) + self.own_a)

    def totals(self, fault=None, window=slice(None)):
        """Totals read [A], shape (copies, n); with a fault, those in a window about it are changed."""
        if fault is None:
            return self._sound.T
        (kind, position), copy = fault, self.copy
        v, t = copy.without(fault, window)
        wire_v, at = self.wire_v[window], position - window.start
        if kind == "bond":
            wire_v = wire_v + t * wire_v[at] * v
        else:
            live_a = self.live_a[position]  # an open span is not driven either
            wire_v = wire_v + live_a * v
            wire_v = wire_v + t * (wire_v[at] - wire_v[at + 1]) * v
        current_a = copy.tower_s[window] * wire_v
        if kind == "bond":
            current_a[at] = 0.0
        total_a = self._sound.copy()
        total_a[window] = np.abs(current_a * (1.0 + self.gain[window]) + self.own_a[window])
        return total_a.T


@dataclass(frozen=True)
class Tested:
    """A round of injected tests on simulated lines, with the errors of the logarithms read."""

    part: InjectedPart
    copy: _Copy
    error: np.ndarray

    @classmethod
    def of(cls, copy, part, rng):
        """Lines under test."""
        return cls(part, copy, part.reading_u * rng.standard_normal(copy.node_s.shape))

    def logs(self, fault=None, window=slice(None)):
        """Logarithms of the impedances read, shape (copies, n); with a fault, right in a window about it alone."""
        copy, own_ohm = self.copy, self.copy._ways[0]
        through = copy.tower_s * copy.footing_ohm
        if fault is not None:
            v, t = copy.without(fault, window)
            own_ohm = own_ohm.copy()
            own_ohm[window] += t * v**2
            if fault[0] == "bond":
                through[fault[1]] = 0.0
        seen_ohm = np.where(through == 0, copy.footing_ohm, through**2 * own_ohm + through * copy.bond_ohm)
        return (np.log(np.abs(seen_ohm)) + self.error).T


def node_potentials(node_s: np.ndarray, span_s: np.ndarray, drive_a: np.ndarray) -> np.ndarray:
    """Potentials (n, copies) of the nodes of many ladders at once [V], by Gaussian elimination of a tridiagonal matrix.

    Admittance from each node to earth and of each span [S], current into each node [A].

    Examples
    --------
    >>> print(node_potentials(np.array([[0.5], [0.5]]), np.array([[1e9]]), np.array([[1.0], [0.0]])).real.T)
    [[1. 1.]]
    """
    behind, carried = _eliminated(node_s, span_s, drive_a)
    potential = np.empty(np.shape(carried), complex)
    potential[-1] = carried[-1] / (behind[-1] + node_s[-1])
    for k in range(len(node_s) - 2, -1, -1):
        potential[k] = (carried[k] + span_s[k] * potential[k + 1]) / (behind[k] + node_s[k] + span_s[k])
    return potential


def _eliminated(node_s, span_s, drive_a):
    """Admittance of each node towards the start, and the current that arrives from there together with its own."""
    behind, carried = np.zeros(node_s.shape, complex), np.array(drive_a, complex)
    for k in range(len(node_s) - 1):
        seen = behind[k] + node_s[k]
        share = span_s[k] / (seen + span_s[k] + (seen + span_s[k] == 0))
        behind[k + 1] = share * seen
        carried[k + 1] += share * carried[k]
    return behind, carried


def node_admittances(node_s: np.ndarray, span_s: np.ndarray) -> np.ndarray:
    """Admittance that a source at each node sees, of many ladders at once [S]; shapes as `node_potentials`."""
    nothing = np.zeros(node_s.shape)
    before = _eliminated(node_s, span_s, nothing)[0]
    after = _eliminated(node_s[::-1], span_s[::-1], nothing)[0][::-1]
    return before + node_s + after

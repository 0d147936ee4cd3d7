"""Calibration of the scan: simulated lines with the stated errors, without a fault and with each fault.

Lines without a fault set the weights and the threshold. Lines with a fault give its probability of detection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from towerlib.physics.fault_scan.likelihood import (
    AmbientPart,
    InjectedPart,
    ambient_scores,
    fitted_drive,
    injected_scores,
)
from towerlib.physics.fault_scan.response import Hypothesis

if TYPE_CHECKING:
    from towerlib.physics.fault_scan.scan import Errors, ScanOptions

CHUNK = 2000  # simulated lines with a fault that are solved at once


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

    Parameters
    ----------
    ambient, injected : list of AmbientPart, list of InjectedPart
        Rounds, prepared for h hypotheses.
    errors, options : Errors, ScanOptions
        Stated errors, how to decide.
    rng : numpy.random.Generator
        Random generator.

    Returns
    -------
    tuple of Calibration and two arrays, shape (h,)
        The parts of the score of the readings themselves, in service and injected, before their weights.
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
    totals, logs = copies(ambient, injected, [None] * options.copies, (uneven, scale), errors, rng)
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
    """Probability that each hypothesis would pass the threshold if it were true.

    Parameters
    ----------
    ambient, injected : list of AmbientPart, list of InjectedPart
        Rounds, prepared for h hypotheses.
    calibration : Calibration
        Of the same rounds.
    hypotheses : list of (str, int)
        Of the same rounds.
    errors, options : Errors, ScanOptions
        As before.
    rng : numpy.random.Generator
        Random generator.

    Returns
    -------
    array, shape (h,)
        By its own score alone: a fault that only shows as another one is not detected. NaN for worn bonds.
    """
    each, found = options.power_copies, np.full(len(hypotheses), np.nan)
    opened = [case for case, (kind, _) in enumerate(hypotheses) if kind != "worn"]
    drive = (calibration.uneven, calibration.scale)
    at_once = max(1, CHUNK // each)
    for start in range(0, len(opened), at_once):
        cases = opened[start : start + at_once]
        faults = [hypotheses[case] for case in cases for _ in range(each)]
        totals, logs = copies(ambient, injected, faults, drive, errors, rng)
        for place, case in enumerate(cases):
            mine = slice(place * each, (place + 1) * each)
            score = calibration.ambient_weight[case] * ambient_scores(
                ambient, [t[mine] for t in totals], [case]
            )
            score = score + calibration.injected_weight[case] * injected_scores(
                injected, [z[mine] for z in logs], [case]
            )
            found[case] = (score > calibration.threshold).mean()
    return found


def copies(
    ambient: Sequence[AmbientPart],
    injected: Sequence[InjectedPart],
    faults: Sequence[Hypothesis | None],
    drive: tuple[float, Sequence[float]],
    errors: Errors,
    rng: np.random.Generator,
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Readings of simulated lines that differ from the entered one by its stated errors.

    Parameters
    ----------
    ambient, injected : list of AmbientPart, list of InjectedPart
        Rounds.
    faults : list of (str, int) or None
        The open element of each simulated line; None for none.
    drive : tuple of float and tuple of float
        Unevenness, and size of each round in service.
    errors : Errors
        Stated errors.
    rng : numpy.random.Generator
        Random generator.

    Returns
    -------
    tuple of two lists of array, shape (copies, n)
        Totals of each round in service [A]; logarithms of the readings of each round of injected tests.

    Notes
    -----
    Footings, wire, stations and the unevenness of the drive are the same in all rounds of a simulated line.
    """
    size, count = len((ambient or injected)[0].line.tower_s), len(faults)
    bonds, spans = np.ones((size, count)), np.ones((size - 1, count))
    for copy, fault in enumerate(faults):
        if fault is not None:
            (bonds if fault[0] == "bond" else spans)[fault[1], copy] = 0.0
    deviates = [rng.standard_normal((rows, count)) for rows in (size, 1, size)]
    normal = rng.standard_normal((2, size - 1, count)) / np.sqrt(2.0)
    factor = 1.0 + drive[0] * (normal[0] + 1j * normal[1])
    built = [_copy(part, (bonds, spans), deviates, errors) for part in (*ambient, *injected)]
    totals = [
        _totals(copy, size_a * factor, errors, rng) for copy, size_a in zip(built, drive[1], strict=False)
    ]
    return totals, [_log_ohm(copy, rng) for copy in built[len(ambient) :]]


@dataclass(frozen=True)
class _Copy:
    """Simulated ladders of a round, one column per simulated line; a bond that is open has 0 in `tower_s` and `bond_ohm`."""

    part: object
    footing_ohm: np.ndarray
    bond_ohm: np.ndarray
    tower_s: np.ndarray
    node_s: np.ndarray
    span_s: np.ndarray


def _copy(part, intact, deviates, errors):
    """Simulated ladders of a round, from the intact elements and the deviations of footings, wire and stations."""
    line, (footing, wire, station) = part.line, deviates
    bonded = intact[0] * ~np.isinf(line.bond_ohm)[:, None]
    bond_ohm = np.where(np.isinf(line.bond_ohm), 0.0, line.bond_ohm)[:, None] * bonded
    footing_ohm = line.footing_ohm[:, None] * np.exp(part.footing_u[:, None] * footing)
    tower_s = bonded / (footing_ohm + bond_ohm)
    node_s = tower_s + line.station_s[:, None] * np.exp(-errors.station * station)
    span_s = line.span_s[:, None] * np.exp(-errors.wire * wire) * intact[1]
    return _Copy(part, footing_ohm, bond_ohm, tower_s, node_s, span_s)


def _totals(copy, factor, errors, rng):
    """Totals read in service on simulated lines [A]."""
    live = (copy.span_s != 0) * factor * copy.part.forced_a[:, None]
    drive_a = np.zeros(copy.node_s.shape, complex) + copy.part.capacitive_a[:, None]
    drive_a[:-1] -= live
    drive_a[1:] += live
    current_a = copy.tower_s * node_potentials(copy.node_s, copy.span_s, drive_a)
    own_a = np.sqrt(errors.own_a**2 / 2.0 + errors.noise_a**2)
    shape = current_a.shape
    own = own_a * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    return np.abs(current_a * (1.0 + errors.gain * rng.standard_normal(shape)) + own).T


def _log_ohm(copy, rng):
    """Logarithms of the impedances read without coils on simulated lines."""
    through = copy.tower_s * copy.footing_ohm
    own_ohm = 1.0 / node_admittances(copy.node_s, copy.span_s)
    seen_ohm = np.where(through == 0, copy.footing_ohm, through**2 * own_ohm + through * copy.bond_ohm)
    return (np.log(np.abs(seen_ohm)) + copy.part.reading_u * rng.standard_normal(seen_ohm.shape)).T


def node_potentials(node_s: np.ndarray, span_s: np.ndarray, drive_a: np.ndarray) -> np.ndarray:
    """Potentials of the nodes of many ladders at once.

    Parameters
    ----------
    node_s, span_s : array, shapes (n, copies) and (n − 1, copies)
        Admittance from each node to earth, of each span [S].
    drive_a : array, shape (n, copies)
        Current into each node [A].

    Returns
    -------
    array, shape (n, copies)

    References
    ----------
    Gaussian elimination of a tridiagonal matrix.

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

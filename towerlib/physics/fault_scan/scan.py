"""Decision on open bonds and open spans of a line from rounds of readings, with the inputs of the scan.

`scan_faults` is the way in: `Ambient` and `Injected` are the readings, `Errors` their uncertainty, `ScanOptions` the
rules of decision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from towerlib.physics.fault_scan.calibration import Calibration, calibrate, powers
from towerlib.physics.fault_scan.likelihood import (
    AmbientPart,
    InjectedPart,
    ambient_part,
    injected_part,
    scatter,
)
from towerlib.physics.fault_scan.response import Hypothesis, inverse, known_footings, possible, with_fault
from towerlib.physics.ladder import Ladder
from towerlib.values import number

FOOTING_U = number("scan_footing")
WORN_MARGIN = 3.0  # of ln L by which a bond must look worn rather than open: open is the worse of the two
OPEN = "open"
WORN = "worn"
NO_SIGN = "no sign that it is open"
NOT_TESTABLE = "not testable with these data"
BY_DESIGN = "open as entered"
NO_EARTH = "not testable: without it a piece of the wire has no path to earth"


@dataclass(frozen=True)
class Ambient:
    """Currents in service from one round of visits, on a line of n towers.

    Attributes
    ----------
    line : Ladder
        The line as it should be, at the frequency of service; a footing that is not known is NaN.
    total_a : array, shape (n,)
        Vector sum of the currents down each tower [A]; NaN where not read.
    forced_a : complex, array of shape (n − 1,) or None
        Current that each span would carry if it were alone [A], up to a common factor near 1. None where it
        is not known: one current in all spans, whose size is taken from the readings.
    capacitive_a : complex or array, shape (n,)
        Current that the phases drive into the shield wire at each tower [A], in the same phase reference.
    """

    line: Ladder
    total_a: np.ndarray
    forced_a: complex | np.ndarray | None = None
    capacitive_a: complex | np.ndarray = 0.0


@dataclass(frozen=True)
class Injected:
    """Readings without leg coils from one round of injected tests, on a line of n towers.

    Attributes
    ----------
    line : Ladder
        The line as it should be, at the test frequency; a footing that was not read with coils is NaN.
    impedance_ohm : array, shape (n,)
        Impedance at each tower without coils [Ω], a magnitude; NaN where not read.
    """

    line: Ladder
    impedance_ohm: np.ndarray


@dataclass(frozen=True)
class Errors:
    """How far readings and the entered line may be wrong: standard uncertainties.

    Parameters
    ----------
    noise_a : float
        Of a total in service, in each quadrature [A]: of four coils twice that of one.
    gain : float
        Of a total in service, relative; changes of the load between towers of one round included.
    own_a : float
        Root mean square of the tower's own leakage, insulators and loops included [A].
    reading : float
        Of a reading without coils, relative.
    footing : float or array, shape (n,)
        Of a footing that is known, relative.
    wire : float
        Of the impedance of the shield wire, relative, the same along the line.
    station : float
        Of the earth of each station, relative.
    usual_spread : float
        Spread of ln R along a line, where fewer than five footings of it are known.
    scale : tuple of float
        Multiples of the entered forced current to try.
    uneven : tuple of float
        Relative unevenness of the forced current from span to span to try.
    """

    noise_a: float = number("scan_noise_a")
    gain: float = number("scan_gain")
    own_a: float = number("scan_own_a")
    reading: float = number("scan_reading")
    footing: float | np.ndarray = FOOTING_U
    wire: float = number("scan_wire")
    station: float = number("scan_station")
    usual_spread: float = number("scan_usual_spread")
    scale: tuple[float, ...] = (0.7, 0.85, 1.0, 1.18, 1.4)
    uneven: tuple[float, ...] = (0.02, 0.05, 0.1, 0.2)

    def __post_init__(self) -> None:
        """Refuse impossible uncertainties."""
        sizes = [self.noise_a, self.own_a, self.gain, self.wire, self.station, np.min(self.footing)]
        if not (min(sizes) >= 0.0 and self.reading > 0.0 and self.noise_a + self.own_a > 0.0):
            raise ValueError("uncertainties are not negative, and that of readings is greater than 0")
        if not (len(self.scale) and len(self.uneven) and min(*self.scale, *self.uneven, np.inf) > 0.0):
            raise ValueError("sizes and unevenness of the forced current to try must be greater than 0")


@dataclass(frozen=True)
class ScanOptions:
    """How the scan decides.

    Parameters
    ----------
    false_alarm : float
        Probability of reporting a fault on a line that has none.
    copies, power_copies : int
        Simulated lines without a fault, and with each single fault.
    power_min : float
        Least simulated probability of detection of a fault that counts as testable.
    reach_towers : int
        Number of towers on either side whose readings are used for a fault.
    faults_max : int
        No more faults than this are accepted.
    seed : int
        Seed of the simulation.
    """

    false_alarm: float = number("scan_false_alarm")
    copies: int = 200
    power_copies: int = 40
    power_min: float = number("scan_power_min")
    reach_towers: int = 30
    faults_max: int = 40
    seed: int = 1

    def __post_init__(self) -> None:
        """Refuse options that cannot be simulated."""
        if not (0.0 < self.false_alarm < 1.0 and self.copies * self.false_alarm >= 1.0):
            raise ValueError("a false alarm rate lies between 0 and 1, and needs at least 1/rate copies")
        if min(self.power_copies, self.reach_towers) < 1:
            raise ValueError("copies with a fault and the reach must be at least 1")


@dataclass(frozen=True)
class Fault:
    """An element found open or worn.

    Attributes
    ----------
    kind : str
        ``bond`` or ``span`` for an open one, ``worn`` for a bond that conducts badly.
    position : int
        Of the tower, or of the tower before the span.
    score, threshold : float
        Its evidence, and the evidence needed at that step.
    from_ambient, from_injected : float
        Parts of the score.
    """

    kind: str
    position: int
    score: float
    threshold: float
    from_ambient: float
    from_injected: float


@dataclass(frozen=True)
class FaultScan:
    """Result of the scan of a line of n towers; bonds (n,), spans (n − 1,).

    Attributes
    ----------
    bond_score, span_score : array
        Evidence for each being open, with the faults found open too; NaN where it cannot be tested.
    bond_power, span_power : array
        Simulated probability of detection if it were open.
    bond_verdict, span_verdict : array of str
        `OPEN`, `WORN`, `NO_SIGN`, `NOT_TESTABLE`, `BY_DESIGN` or `NO_EARTH`.
    threshold : float
        Evidence that one more fault would need.
    faults : tuple of Fault
        In the order in which they were found.
    scatter : float
        Scatter of readings without coils over the stated one; 1 where there is no excess. The scan widens the error
        of these readings and of the footings by it.
    """

    bond_score: np.ndarray
    span_score: np.ndarray
    bond_power: np.ndarray
    span_power: np.ndarray
    bond_verdict: np.ndarray
    span_verdict: np.ndarray
    threshold: float
    faults: tuple[Fault, ...]
    scatter: float


@dataclass(frozen=True)
class SingleFaults:
    """One pass over the h single faults of a line.

    Attributes
    ----------
    line : Ladder
        The line without any of them.
    hypotheses : list of (str, int)
        Kind and position of each.
    parts : tuple
        Rounds in service and rounds of injected tests, made ready.
    calibration : Calibration
        Weights and threshold.
    from_ambient, from_injected : array, shape (h,)
        Weighted parts of the score of each.
    scatter : float
        Scatter of readings without coils over the stated one; 1 where there is no excess.
    """

    line: Ladder
    hypotheses: list[Hypothesis]
    parts: tuple[list[AmbientPart], list[InjectedPart]]
    calibration: Calibration
    from_ambient: np.ndarray
    from_injected: np.ndarray
    scatter: float

    @property
    def score(self) -> np.ndarray:
        """Weighted evidence for each hypothesis."""
        return self.from_ambient + self.from_injected


def scan_faults(
    ambient: Sequence[Ambient] = (),
    injected: Sequence[Injected] = (),
    errors: Errors | None = None,
    options: ScanOptions | None = None,
) -> FaultScan:
    """Open bonds and open spans of a line, and those that the data could not show.

    Parameters
    ----------
    ambient : sequence of Ambient
        Rounds of visits in service; may be empty.
    injected : sequence of Injected
        Rounds of injected tests, each with the ladder at its own frequency; may be empty.
    errors : Errors
        How far readings and line may be wrong.
    options : ScanOptions
        How to decide.

    Returns
    -------
    FaultScan
        With scores that are evidence, not probabilities.

    Raises
    ------
    ValueError
        No readings; lines of different lengths or of fewer than three towers; no footing known.

    Notes
    -----
    One fault at a time: Λ_h = ln L_h − ln L_none for every single bond and span. Each bond is tested as worn too,
    because a worn one would otherwise look like an open bond or like an open span beside it. The best one within
    reach is accepted where it passes the threshold, then treated as real, and the scan starts again.

    L is a composite likelihood, so Λ scatters more than with independent readings. Each part (in service, injected)
    is therefore scaled by the largest w ≤ 1 for which the mean of exp(w·Λ_h) over simulated lines without a fault does
    not pass 1, as it is for a true likelihood ratio. Data with little information on a hypothesis so add little
    to its score. The threshold is the quantile of the largest score over those lines, 0 at least. They differ
    from the entered line by its stated errors, so a chi-square limit does not apply.

    A bond that is open and a footing that is lost look the same in service.

    References
    ----------
    S. O. Rice, Bell Syst. Tech. J. 24 (1945), for magnitudes; composite likelihood: C. Varin, N. Reid, D. Firth,
    Statistica Sinica 21 (2011). From memory. The use for bonds and spans is our own, found nowhere in print.

    Examples
    --------
    >>> from towerlib.physics.ladder import driving_points
    >>> from towerlib.physics.ladder import ladder
    >>> footing_ohm, bond_ohm = np.full(12, 10.0), np.zeros(12)
    >>> bond_ohm[4] = np.inf
    >>> read_ohm = abs(driving_points(ladder(footing_ohm, bond_ohm, np.full(11, 0.1 + 0.3j))).tower_ohm)
    >>> sound = ladder(footing_ohm, 0.0, np.full(11, 0.1 + 0.3j))
    >>> [(fault.kind, fault.position) for fault in scan_faults(injected=[Injected(sound, read_ohm)]).faults]
    [('bond', 4)]
    """
    errors, options = errors or Errors(), options or ScanOptions()
    ambient, injected = _checked(ambient, injected)
    faults, rng = [], np.random.default_rng(options.seed)
    while True:
        worn = [fault.position for fault in faults if fault.kind == "worn"]
        scanned = single_faults(ambient, injected, errors, options, rng, worn)
        found = _taken(scanned, options.reach_towers)[: options.faults_max - len(faults)]
        if not found:
            break
        for fault in found:
            ambient, injected = _accepted(ambient, injected, fault.kind, fault.position)
        faults.extend(found)
    power = powers(*scanned.parts, scanned.calibration, scanned.hypotheses, errors, options, rng)
    return _result(scanned, power, faults, options)


def _checked(ambient, injected):
    """Rounds with readings as arrays; an error in one sentence where they cannot be used."""
    ambient = [replace(part, total_a=np.asarray(part.total_a, float)) for part in ambient]
    injected = [replace(part, impedance_ohm=np.asarray(part.impedance_ohm, float)) for part in injected]
    readings = [part.total_a for part in ambient] + [part.impedance_ohm for part in injected]
    if not any(np.isfinite(reading).any() for reading in readings):
        raise ValueError("there is no reading to scan: no total in service, no impedance without coils")
    count = len(readings[0])
    if count < 3:
        raise ValueError(f"a line of {count} towers is too short for the scan: it takes 3 at least")
    for part, reading in zip([*ambient, *injected], readings, strict=True):
        if reading.shape != (count,) or len(part.line.tower_s) != count:
            raise ValueError(
                "all rounds must be of the same towers, one reading per tower, NaN where there is none"
            )
        if np.isinf(reading).any() or (reading < 0).any():
            raise ValueError("totals and impedances are magnitudes: finite and not negative")
    if any((part.impedance_ohm == 0).any() for part in injected):
        raise ValueError("an impedance of 0 ohm is not a reading; enter NaN where there is none")
    for part in ambient:
        if part.forced_a is not None and not np.isfinite(np.broadcast_to(part.forced_a, count - 1)).all():
            raise ValueError("the forced current must be known in every span, or None for the whole line")
    return ambient, injected


def _accepted(ambient, injected, kind, position):
    """Rounds with a fault accepted; a worn bond's resistance is not known, so its tower's readings are dropped."""
    ambient = [replace(part, line=with_fault(part.line, kind, position)) for part in ambient]
    injected = [replace(part, line=with_fault(part.line, kind, position)) for part in injected]
    if kind != "worn":
        return ambient, injected
    here = np.arange(len((ambient or injected)[0].line.tower_s)) == position
    ambient = [replace(part, total_a=np.where(here, np.nan, part.total_a)) for part in ambient]
    return ambient, [
        replace(part, impedance_ohm=np.where(here, np.nan, part.impedance_ohm)) for part in injected
    ]


def _taken(scanned, reach):
    """Faults that pass the threshold and are the best within the reach of their readings, best first."""
    place = np.array([position for _, position in scanned.hypotheses])
    left, found = np.where(scanned.score > scanned.calibration.threshold, scanned.score, -np.inf), []
    while np.isfinite(left).any():
        best = int(np.argmax(left))
        if scanned.score[best] >= scanned.score[np.abs(place - place[best]) <= reach].max():
            found.append(_fault(scanned, best))
        left[np.abs(place - place[best]) <= reach] = -np.inf
    return found


def _fault(scanned, best):
    """The best hypothesis as a fault; a bond counts as worn only where that is far more likely than open."""
    kind, position = scanned.hypotheses[best]
    if kind == "worn":
        opened = scanned.hypotheses.index(("bond", position))
        best = opened if scanned.score[opened] > scanned.score[best] - WORN_MARGIN else best
    kind, position = scanned.hypotheses[best]
    ambient, injected = float(scanned.from_ambient[best]), float(scanned.from_injected[best])
    threshold = float(scanned.calibration.threshold)
    return Fault(kind, position, ambient + injected, threshold, ambient, injected)


def _result(scanned, power, faults, options):
    """Scores, powers and verdicts by bond and by span."""
    line = scanned.line
    columns = []
    for kind, is_open in (("bond", line.tower_s == 0), ("span", line.span_s == 0)):
        score, detected = np.full(is_open.shape, np.nan), np.full(is_open.shape, np.nan)
        for (asked, position), found, seen in zip(scanned.hypotheses, scanned.score, power, strict=True):
            if asked == kind:
                score[position], detected[position] = found, seen
        testable = np.where(detected >= options.power_min, NO_SIGN, NOT_TESTABLE)
        verdict = np.where(is_open, BY_DESIGN, np.where(np.isnan(score), NO_EARTH, testable)).astype(object)
        for fault in faults:
            if fault.kind == kind or (fault.kind == "worn" and kind == "bond"):
                score[fault.position] = fault.score
                verdict[fault.position] = WORN if fault.kind == "worn" else OPEN
        columns.append((score, detected, verdict))
    bonds, spans = columns
    return FaultScan(
        bond_score=bonds[0],
        span_score=spans[0],
        bond_power=bonds[1],
        span_power=spans[1],
        bond_verdict=bonds[2],
        span_verdict=spans[2],
        threshold=float(scanned.calibration.threshold),
        faults=tuple(faults),
        scatter=scanned.scatter,
    )


def single_faults(
    ambient: Sequence[Ambient],
    injected: Sequence[Injected],
    errors: Errors,
    options: ScanOptions,
    rng: np.random.Generator,
    worn: Sequence[int] = (),
) -> SingleFaults:
    """Score of every single fault of a line; `worn` are the towers whose bond was already found worn.

    `ValueError` where no element of the line can be tested.
    """
    line = (ambient or injected)[0].line
    filled = known_footings(line, errors.footing, errors.usual_spread)[0]
    read = np.any(
        [~np.isnan(survey.impedance_ohm) for survey in injected] or [[False] * len(line.tower_s)], axis=0
    )
    asked = [fault for fault in possible(filled, inverse(filled)) if _to_ask(fault, read, worn)]
    if not asked:
        raise ValueError(
            "nothing of the line can be tested: every bond and span is open already or must not open"
        )
    reach = options.reach_towers
    rounds = [ambient_part(survey, asked, errors, reach) for survey in ambient]
    tests = [injected_part(survey, asked, errors, reach) for survey in injected]
    excess = scatter(tests, asked, errors)
    if excess > 1.0:
        wider = replace(errors, reading=excess * errors.reading, footing=excess * np.asarray(errors.footing))
        tests = [injected_part(survey, asked, wider, reach) for survey in injected]
    learnt, from_ambient, from_injected = calibrate(rounds, tests, errors, options, rng)
    from_ambient, from_injected = learnt.ambient_weight * from_ambient, learnt.injected_weight * from_injected
    return SingleFaults(line, asked, (rounds, tests), learnt, from_ambient, from_injected, excess)


def _to_ask(fault, read, worn):
    """Whether a hypothesis is tested: a worn bond needs a reading without coils at its own tower."""
    kind, position = fault
    return kind == "span" or (position not in worn and (kind == "bond" or read[position]))

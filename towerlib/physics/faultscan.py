"""Scan over hypotheses: each bond open, each span open, from currents in service and injected tests together."""

from dataclasses import dataclass, replace

import numpy as np

from towerlib.physics.faultpower import powers
from towerlib.physics.faultresponse import with_fault
from towerlib.physics.faultsurveys import Ambient, Errors, Injected, ScanOptions
from towerlib.physics.singlefaults import single_faults

__all__ = ["Ambient", "Errors", "Fault", "FaultScan", "Injected", "ScanOptions", "scan_faults"]

WORN_MARGIN = 3.0  # of ln L by which a bond must look worn rather than open: open is the worse of the two
OPEN = "open"
WORN = "worn"
NO_SIGN = "no sign that it is open"
NOT_TESTABLE = "not testable with these data"
BY_DESIGN = "open as entered"
NO_EARTH = "not testable: without it a piece of the wire has no path to earth"


@dataclass(frozen=True)
class Fault:
    """An element that is taken to be open or worn.

    Attributes
    ----------
    kind : str
        ``bond`` or ``span`` for an open one, ``worn`` for a bond that conducts badly.
    position : int
        Of the tower, or of the tower before the span.
    score, threshold : float
        Evidence that carried it, and the evidence needed then.
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
    """What the scan found on a line of n towers; bonds (n,), spans (n − 1,).

    Attributes
    ----------
    bond_score, span_score : array
        Evidence for each being open, the faults found being open too; NaN where it cannot be asked.
    bond_power, span_power : array
        Simulated chance that it would be detected if it were open.
    bond_verdict, span_verdict : array of str
        `OPEN`, `WORN`, `NO_SIGN`, `NOT_TESTABLE`, `BY_DESIGN` or `NO_EARTH`.
    threshold : float
        Evidence that one more fault would have needed.
    faults : tuple of Fault
        In the order in which they were found.
    scatter : float
        By how much readings without coils scatter more than told: 1 where they do not. The scan then takes
        that for their error and that of the footings.
    """

    bond_score: np.ndarray
    span_score: np.ndarray
    bond_power: np.ndarray
    span_power: np.ndarray
    bond_verdict: np.ndarray
    span_verdict: np.ndarray
    threshold: float
    faults: tuple
    scatter: float


def scan_faults(ambient=(), injected=(), errors=None, options=None):
    """Open bonds and open spans of a line, and which of them the data could not have shown.

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
    One fault at a time: Λ_h = ln L_h − ln L_none for every single bond and span, each bond worn too (a worn one
    would else pass for an open span beside it, or an open one). The best one within reach is accepted where it
    passes the threshold, then taken for real, and the scan begins again. L is a composite likelihood and
    its Λ scatters more than one of independent readings would; each part (in service, injected) is therefore
    scaled by the largest w ≤ 1 for which the mean of exp(w·Λ_h) over copies of this line without a fault does
    not pass 1, as it is for a true likelihood ratio. Data that say little of a hypothesis so add little to its
    score. The threshold is the quantile of the largest score over those copies, 0 at least. The copies differ
    from the entered line by its stated errors, so a chi-square limit has no place here.

    A bond that is open and a footing that is lost look the same in service.

    References
    ----------
    S. O. Rice, Bell Syst. Tech. J. 24 (1945), for magnitudes; composite likelihood: C. Varin, N. Reid, D. Firth,
    Statistica Sinica 21 (2011). From memory. The use for bonds and spans is our own, found nowhere in print.

    Examples
    --------
    >>> from towerlib.physics.drivingpoints import driving_points
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


def _accepted(ambient, injected, kind, position):
    """Rounds with a fault taken for real; what a worn bond conducts is not known, so its tower's readings go."""
    lines = [replace(part, line=with_fault(part.line, kind, position)) for part in (*ambient, *injected)]
    ambient, injected = lines[: len(ambient)], lines[len(ambient) :]
    if kind != "worn":
        return ambient, injected
    here = np.arange(len(lines[0].line.tower_s)) == position
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
    """The best hypothesis as a fault; a worn bond passes for an open one unless it is far more likely."""
    kind, position = scanned.hypotheses[best]
    if kind == "worn":
        opened = scanned.hypotheses.index(("bond", position))
        best = opened if scanned.score[opened] > scanned.score[best] - WORN_MARGIN else best
    parts = float(scanned.from_ambient[best]), float(scanned.from_injected[best])
    return Fault(*scanned.hypotheses[best], sum(parts), float(scanned.calibration.threshold), *parts)


def _result(scanned, power, faults, options):
    """Scores, powers and verdicts by bond and by span."""
    line = scanned.line
    columns = []
    for kind, is_open in (("bond", line.tower_s == 0), ("span", line.span_s == 0)):
        score, chance = np.full(is_open.shape, np.nan), np.full(is_open.shape, np.nan)
        for (asked, position), found, seen in zip(scanned.hypotheses, scanned.score, power, strict=True):
            if asked == kind:
                score[position], chance[position] = found, seen
        testable = np.where(chance >= options.power_min, NO_SIGN, NOT_TESTABLE)
        verdict = np.where(is_open, BY_DESIGN, np.where(np.isnan(score), NO_EARTH, testable)).astype(object)
        for fault in faults:
            if fault.kind == kind or (fault.kind == "worn" and kind == "bond"):
                score[fault.position] = fault.score
                verdict[fault.position] = WORN if fault.kind == "worn" else OPEN
        columns.append((score, chance, verdict))
    bonds, spans = columns
    return FaultScan(
        *(column for pair in zip(bonds, spans, strict=True) for column in pair),
        threshold=float(scanned.calibration.threshold),
        faults=tuple(faults),
        scatter=scanned.scatter,
    )


def _checked(ambient, injected):
    """Rounds with readings as arrays, or a sentence that says what is wrong."""
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
                "all rounds must be of the same towers, one reading a tower, NaN where there is none"
            )
        if np.isinf(reading).any() or (reading < 0).any():
            raise ValueError("totals and impedances are magnitudes: finite and not negative")
    if any((part.impedance_ohm == 0).any() for part in injected):
        raise ValueError("an impedance of 0 ohm is no reading; enter NaN where there is none")
    for part in ambient:
        if part.forced_a is not None and not np.isfinite(np.broadcast_to(part.forced_a, count - 1)).all():
            raise ValueError("the forced current must be known in every span, or None for the whole line")
    return ambient, injected

"""One pass over the faults that a line can have one at a time."""

from dataclasses import dataclass, replace

import numpy as np

from towerlib.physics.faultevidence import ambient_part, injected_part, scatter
from towerlib.physics.faultpower import Calibration, calibrate
from towerlib.physics.faultresponse import inverse, known_footings, possible


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
        By how much readings without coils scatter more than told; 1 where they do not.
    """

    line: object
    hypotheses: list
    parts: tuple
    calibration: Calibration
    from_ambient: np.ndarray
    from_injected: np.ndarray
    scatter: float

    @property
    def score(self):
        """Weighted evidence for each hypothesis."""
        return self.from_ambient + self.from_injected


def single_faults(ambient, injected, errors, options, rng, worn=()):
    """Score of every single fault of a line.

    Parameters
    ----------
    ambient, injected : list of Ambient, list of Injected
        Rounds.
    errors, options : Errors, ScanOptions
        How far readings and line may be wrong, how to decide.
    rng : numpy.random.Generator
        Source of chance.
    worn : sequence of int
        Towers whose bond is worn for sure, and is not asked again.

    Returns
    -------
    SingleFaults

    Raises
    ------
    ValueError
        There is nothing that could be open.
    """
    line = (ambient or injected)[0].line
    filled = known_footings(line, errors.footing, errors.usual_spread)[0]
    read = np.any(
        [~np.isnan(survey.impedance_ohm) for survey in injected] or [[False] * len(line.tower_s)], axis=0
    )
    asked = [fault for fault in possible(filled, inverse(filled)) if _to_ask(fault, read, worn)]
    if not asked:
        raise ValueError("nothing of the line could be open: every bond and span is open or bears no opening")
    reach = options.reach_towers
    rounds = [ambient_part(survey, asked, errors, reach) for survey in ambient]
    tests = [injected_part(survey, asked, errors, reach) for survey in injected]
    excess = scatter(tests, asked, errors)
    if excess > 1.0:
        wider = replace(errors, reading=excess * errors.reading, footing=excess * np.asarray(errors.footing))
        tests = [injected_part(survey, asked, wider, reach) for survey in injected]
    learnt, from_ambient, from_injected = calibrate(rounds, tests, errors, options, rng)
    weighted = learnt.ambient_weight * from_ambient, learnt.injected_weight * from_injected
    return SingleFaults(line, asked, (rounds, tests), learnt, *weighted, excess)


def _to_ask(fault, read, worn):
    """Whether a hypothesis is asked: a bond is told to be worn by its own reading without coils alone."""
    kind, position = fault
    return kind == "span" or (position not in worn and (kind == "bond" or read[position]))

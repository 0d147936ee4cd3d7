"""What the scan for open bonds and spans is given: rounds of visits, errors, and how to decide."""

from dataclasses import dataclass

import numpy as np

from towerlib.values import number


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

    line: object
    total_a: np.ndarray
    forced_a: np.ndarray | None = None
    capacitive_a: complex = 0.0


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

    line: object
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
        Sizes of the forced current to try, in those entered.
    uneven : tuple of float
        Relative unevenness of the forced current from span to span to try.
    """

    noise_a: float = number("scan_noise_a")
    gain: float = number("scan_gain")
    own_a: float = number("scan_own_a")
    reading: float = number("scan_reading")
    footing: float = number("scan_footing")
    wire: float = number("scan_wire")
    station: float = number("scan_station")
    usual_spread: float = number("scan_usual_spread")
    scale: tuple = (0.7, 0.85, 1.0, 1.18, 1.4)
    uneven: tuple = (0.02, 0.05, 0.1, 0.2)

    def __post_init__(self):
        """Refuse what cannot be an uncertainty."""
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
        Chance that a line without a fault is told to have one.
    copies, power_copies : int
        Simulated copies of the line without a fault, and with each single fault.
    power_min : float
        Least simulated chance of detection of a fault that counts as testable.
    reach_towers : int
        A fault is looked for in the readings of so many towers on either side.
    faults_max : int
        No more faults than this are taken for real.
    seed : int
        Seed of the copies.
    """

    false_alarm: float = number("scan_false_alarm")
    copies: int = 200
    power_copies: int = 40
    power_min: float = number("scan_power_min")
    reach_towers: int = 30
    faults_max: int = 40
    seed: int = 1

    def __post_init__(self):
        """Refuse what cannot be simulated."""
        if not (0.0 < self.false_alarm < 1.0 and self.copies * self.false_alarm >= 1.0):
            raise ValueError("a false alarm rate lies between 0 and 1, and takes 1/rate copies at least")
        if min(self.power_copies, self.reach_towers) < 1:
            raise ValueError("copies with a fault and the reach are 1 at least")

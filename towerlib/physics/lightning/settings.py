"""What the calculation of lightning rates is asked: which towers, and how."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.lightning.strokes import DISTRIBUTIONS
from towerlib.values import number


@dataclass(frozen=True)
class Method:
    """How the rate is found; the defaults are the recommended way.

    Attributes
    ----------
    distribution : str
        Peak currents of first strokes: "IEEE" or "CIGRE"; never mix both in one report.
    angles : int
        Equal steps of the power-frequency cycle.
    gradient_kv_m : float
        Field at which soil ionises [kV/m]; inf leaves ionisation out (counterpoise, long radials).
    soil_ratio_min_m : float
        Least resistivity over footing resistance that a concentrated footing can have [m]; where the soil is
        given lower, the calculation takes this ratio and says so. 0 switches the guard off.
    strength_cap : float
        Highest factor for the short tail of the stress [1].
    span_reflections : bool
        Relief from the neighbouring towers counts; off is the cautious choice.
    """

    distribution: str = "IEEE"
    angles: int = int(number("lightning_angles"))
    gradient_kv_m: float = number("soil_ionisation_kv_m")
    soil_ratio_min_m: float = number("soil_over_footing_min_m")
    strength_cap: float = number("short_tail_cap")
    span_reflections: bool = False

    def __post_init__(self):
        """Refuse what the calculation does not know."""
        if self.distribution not in DISTRIBUTIONS:
            raise ValueError(
                f"no stroke distribution {self.distribution!r}; known are {', '.join(DISTRIBUTIONS)}"
            )
        if self.angles < 1:
            raise ValueError(f"the cycle is averaged over 1 angle or more, not {self.angles}")
        if not (self.gradient_kv_m > 0 and self.strength_cap >= 1 and self.soil_ratio_min_m >= 0):
            raise ValueError(
                f"gradient_kv_m = {self.gradient_kv_m:g} above 0, strength_cap = {self.strength_cap:g} of 1 or more and "
                f"soil_ratio_min_m = {self.soil_ratio_min_m:g} not below 0 are needed"
            )


DEFAULT = Method()


@dataclass(frozen=True)
class Towers:
    """What differs from tower to tower, and from draw to draw: arrays (n,) or (m, n) that broadcast.

    Attributes
    ----------
    footing_ohm : float or array
        Low-current resistance of the tower's own footing, shield wire excluded [Ω], above 0; inf and NaN pass.
    resistivity_ohm_m : float or array
        Soil resistivity at the tower [Ω·m], above 0; NaN where unknown gives NaN: see `assumed_resistivity`.
    span_m : float or array
        Half the span behind plus half the span ahead [m].
    flash_density : float or array
        Ground flashes per km² and year; 1 gives relative rates.
    strength_kv : float or array, optional
        50 % flashover voltage of the insulation [kV]; else 560 kV/m times the strike length of the geometry.
    height_m : float or array, optional
        Height of the tower [m]; else that of the geometry. Another height moves the head up or down as a whole.
    """

    footing_ohm: np.ndarray
    resistivity_ohm_m: np.ndarray
    span_m: np.ndarray
    flash_density: np.ndarray = 1.0
    strength_kv: np.ndarray = None
    height_m: np.ndarray = None

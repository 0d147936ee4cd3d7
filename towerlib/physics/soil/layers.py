"""Two horizontal layers of soil: potential of a current at the surface, and what four pins read above them."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.soil.images import image_weights, reflection


@dataclass(frozen=True)
class Soil:
    """Uniform soil, or a top layer over a bottom layer.

    Attributes
    ----------
    upper_ohm_m : float
        Resistivity of the top layer [Ω·m].
    lower_ohm_m : float
        Resistivity of the bottom layer [Ω·m]; the same for uniform soil.
    depth_m : float
        Thickness of the top layer [m]; inf for uniform soil.

    Raises
    ------
    ValueError
        A value that is not greater than 0; two resistivities without a depth between them.

    Examples
    --------
    >>> print(Soil(100.0, 1000.0, 2.0).factor, uniform(100.0).factor)
    0.818182 0.0
    """

    upper_ohm_m: float
    lower_ohm_m: float
    depth_m: float

    def __post_init__(self):
        for name in ("upper_ohm_m", "lower_ohm_m", "depth_m"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} of a soil must be greater than 0, not {getattr(self, name)}")
        if not np.isfinite(self.upper_ohm_m) or not np.isfinite(self.lower_ohm_m):
            raise ValueError("both layers of a soil must conduct")
        if np.isinf(self.depth_m) and self.lower_ohm_m != self.upper_ohm_m:
            raise ValueError("two resistivities need the depth of the boundary between them")

    @property
    def factor(self):
        """Reflection factor of the boundary."""
        return float(reflection(self.upper_ohm_m, self.lower_ohm_m))


def uniform(resistivity_ohm_m):
    """Soil of one resistivity down to any depth.

    Parameters
    ----------
    resistivity_ohm_m : float
        Resistivity [Ω·m].

    Returns
    -------
    Soil

    Examples
    --------
    >>> uniform(100.0)
    Soil(upper_ohm_m=100.0, lower_ohm_m=100.0, depth_m=inf)
    """
    return Soil(float(resistivity_ohm_m), float(resistivity_ohm_m), np.inf)


def surface_kernel(distance_m, factor, depth_m):
    """Potential at the surface of a current at the surface, as a multiple of ρ1·I/(2π).

    Parameters
    ----------
    distance_m : float or array
        Distance from the current [m].
    factor : float or array
        Reflection factor of the boundary.
    depth_m : float or array
        Thickness of the top layer [m].

    Returns
    -------
    float or array
        1/r of uniform soil, raised or lowered by the images [1/m].

    Notes
    -----
    1/r + 2·Σ_{n≥1} Kⁿ/√(r² + (2nH)²), summed by `image_weights` to about 1e-10 of 1/r.

    References
    ----------
    E. D. Sunde (1949); G. F. Tagg, Earth Resistances (1964); from memory.

    Examples
    --------
    >>> print(surface_kernel(2.0, 0.0, 1.0))
    0.5
    """
    distance_m, factor, depth_m = np.broadcast_arrays(
        np.asarray(distance_m, float), np.asarray(factor, float), np.asarray(depth_m, float)
    )
    kernel = np.array(1.0 / distance_m + 0.0 * factor * np.where(np.isinf(depth_m), 0.0, depth_m))
    for one in np.unique(factor[np.isfinite(factor) & np.isfinite(depth_m)]):
        order, weight = image_weights(float(one))
        place = (factor == one) & np.isfinite(depth_m)
        apart_m = np.hypot(distance_m[place][:, None], 2.0 * order * depth_m[place][:, None])
        kernel[place] += 2.0 * (weight / apart_m).sum(axis=1)
    return kernel[()]


def layered_resistivity(array, upper_ohm_m, lower_ohm_m, depth_m):
    """Apparent resistivity that a four-pin array reads above two layers.

    Parameters
    ----------
    array : towerlib.physics.soil.arrays.FourPins
        Distances between the pins, floats or arrays.
    upper_ohm_m, lower_ohm_m : float or array
        Resistivity of the top and of the bottom layer [Ω·m].
    depth_m : float or array
        Thickness of the top layer [m].

    Returns
    -------
    float or array
        Apparent resistivity [Ω·m]; NaN where a layer is unknown.

    Notes
    -----
    ρa = ρ1·[F(AM) − F(AN) − F(BM) + F(BN)]/(1/AM − 1/AN − 1/BM + 1/BN) with F of `surface_kernel`; for the
    Wenner array ρa/ρ1 = 1 + 4·ΣKⁿ·[1/√(1 + (2nH/a)²) − 1/√(4 + (2nH/a)²)]. Pins are points.

    References
    ----------
    Sunde (1949); Tagg (1964); IEEE Std 81, annex B.

    Examples
    --------
    >>> from towerlib.physics.soil.arrays import wenner
    >>> print(np.round(layered_resistivity(wenner([1.0, 4.0, 16.0]), 100.0, 1000.0, 2.0), 1))
    [107.2 225.3 565.9]
    """
    factor = reflection(upper_ohm_m, lower_ohm_m)
    signs = ((array.am_m, 1), (array.an_m, -1), (array.bm_m, -1), (array.bn_m, 1))
    layered = sum(sign * surface_kernel(apart_m, factor, depth_m) for apart_m, sign in signs)
    alone = sum(sign / np.asarray(apart_m, float) for apart_m, sign in signs)
    return np.asarray(upper_ohm_m, float) * layered / alone

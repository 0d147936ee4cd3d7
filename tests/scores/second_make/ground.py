"""Two-layer ground and electrodes in it: point sources with images, and short formulas for rods, wires and rings.

One function carries the ground: `spread_ohm`, the surface potential per ampere at a distance from a point source.
An electrode's own resistance is its near part in uniform soil and, from its own size on, that of the ground.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import exp1

TERMS = np.arange(1, 1001)
CLOSEST = 0.85  # mutual resistance over the smaller own resistance, at most
DEEP_M = 0.6  # trenches
WIRE_RADIUS_M = 0.005
ROD_RADIUS_M = 0.008
FILLED_RADIUS_M = 0.1


@dataclass(frozen=True)
class Ground:
    """Two layers: resistivities [Ω·m] and the depth of the upper one [m]."""

    upper_ohm_m: float
    lower_ohm_m: float
    depth_m: float

    @property
    def reflection(self):
        """Reflection factor between the layers [1]."""
        return (self.lower_ohm_m - self.upper_ohm_m) / (self.lower_ohm_m + self.upper_ohm_m)


def spread_ohm(ground, distance_m):
    """Potential at the surface per ampere from a point source at the surface [Ω].

    Images of two layers (Tagg 1964; Sunde 1949, from memory); the rest of the series after the last image is
    closed by its integral, which matters for rock below a thin layer.

    >>> uniform = Ground(100.0, 100.0, 2.0)
    >>> round(float(spread_ohm(uniform, 10.0)) * 2 * np.pi * 10.0, 6)
    100.0
    """
    r = np.atleast_1d(np.asarray(distance_m, float))[..., None]
    k = ground.reflection
    images = (k**TERMS / np.sqrt(r**2 + (2 * TERMS * ground.depth_m) ** 2)).sum(axis=-1)
    total = 1 / r[..., 0] + 2 * images
    if k > 0:
        total += exp1(-(TERMS[-1] + 0.5) * np.log(k)) / ground.depth_m
    ohm = ground.upper_ohm_m / (2 * np.pi) * total
    return ohm if np.ndim(distance_m) else ohm[0]


def wenner_ohm(ground, spacing_m):
    """Reading of four pins at equal spacing [Ω]: twice the difference of the potentials at one and two spacings.

    >>> round(float(wenner_ohm(Ground(100.0, 100.0, 2.0), 5.0)) * 2 * np.pi * 5.0, 6)
    100.0
    """
    a = np.asarray(spacing_m, float)
    return 2 * (spread_ohm(ground, a) - spread_ohm(ground, 2 * a))


def hemisphere_ohm(ground, radius_m):
    """Own resistance of a foundation as large as a hemisphere [Ω]."""
    return float(spread_ohm(ground, radius_m))


def _with_far(ground, near_ohm_m, per_ohm_m, size_m):
    """Near part in its own soil, and the ground from the electrode's own size on [Ω]."""
    near = near_ohm_m * (per_ohm_m - 1 / (2 * np.pi * size_m))
    return max(near, 0.0) + float(spread_ohm(ground, size_m))


def rod_ohm(ground, length_m, radius_m=ROD_RADIUS_M):
    """Own resistance of a vertical rod [Ω]: ρ/(2πl)·(ln(4l/a) − 1) in uniform soil (Dwight 1936, from memory)."""
    per = (np.log(4 * length_m / radius_m) - 1) / (2 * np.pi * length_m)
    above = min(ground.depth_m, length_m)
    below = length_m - above
    near = length_m / (above / ground.upper_ohm_m + below / ground.lower_ohm_m)
    return _with_far(ground, near, per, length_m)


def wire_ohm(ground, length_m, radius_m=WIRE_RADIUS_M, deep_m=DEEP_M):
    """Own resistance of a buried straight wire [Ω]: ρ/(πl)·(ln(2l/√(2at)) − 1) in uniform soil (Sunde, from memory)."""
    per = (np.log(2 * length_m / np.sqrt(2 * radius_m * deep_m)) - 1) / (np.pi * length_m)
    return _with_far(ground, ground.upper_ohm_m, per, length_m / 2)


def ring_ohm(ground, across_m, radius_m=WIRE_RADIUS_M, deep_m=DEEP_M):
    """Own resistance of a buried ring [Ω]: ρ/(2π²D)·(ln(4D/a) + ln(2D/t)) in uniform soil (Dwight 1936, from memory)."""
    per = (np.log(4 * across_m / radius_m) + np.log(2 * across_m / deep_m)) / (2 * np.pi**2 * across_m)
    return _with_far(ground, ground.upper_ohm_m, per, across_m / 2)


def matrix_ohm(ground, own_ohm, places_m):
    """Resistance matrix of electrodes that stand together [Ω].

    Parameters
    ----------
    ground : Ground
    own_ohm : array of float
    places_m : array of shape (n, 2)
        Where each lies, as a point; a wire of length L that starts here lies 0.4 L out, which meets the
        four-pointed star of Dwight (1936).
    """
    own, places = np.asarray(own_ohm, float), np.asarray(places_m, float)
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    n = len(own)
    mutual = np.zeros((n, n))
    rows, columns = np.triu_indices(n, 1)
    if len(rows):
        values = np.minimum(
            spread_ohm(ground, np.maximum(apart[rows, columns], 0.5)),
            CLOSEST * np.minimum(own[rows], own[columns]),
        )
        mutual[rows, columns] = mutual[columns, rows] = values
    whole = mutual + np.diag(own)
    least = np.linalg.eigvalsh(whole)[0]
    return whole if least > 0.02 * own.min() else whole + np.eye(n) * (0.02 * own.min() - least)


def together_ohm(matrix, leads_ohm=0.0):
    """Resistance of electrodes that are joined, each through its lead [Ω]; an endless lead is none.

    >>> float(together_ohm(np.diag([10.0, 10.0])))
    5.0
    """
    leads = np.broadcast_to(np.asarray(leads_ohm, float), len(matrix))
    live = np.isfinite(leads)
    if not live.any():
        return np.inf
    joined = matrix[np.ix_(live, live)] + np.diag(leads[live])
    return 1 / np.linalg.solve(joined, np.ones(live.sum())).sum()

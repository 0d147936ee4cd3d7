"""Surge impedances and geometry of a line: towers, shield wires and their coupling to the phases.

Also the typical geometry of a voltage class, for lines whose own is not recorded.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.physics.overhead_line import mean_height
from towerlib.values import number

OHM_PER_LOG = 60.0  # √(µ0/ε0)/2π, rounded as in all the published formulas
PHASE_ANGLE_DEG = {"a": 0.0, "b": -120.0, "c": 120.0}
ORDER = ("a", "b", "c")  # from the top, the same on both sides of the tower
WIRE_FIELDS = ("wire_x_m", "wire_y_m", "wire_sag_m", "wire_radius_m")
PHASE_FIELDS = ("phase_x_m", "phase_y_m", "crossarm_y_m", "phase_sag_m", "phase_angle_deg")


@dataclass(frozen=True)
class LineGeometry:
    """The usual tower of a line with its shield wires, phases and insulation; tuples run over wires or phases.

    Attributes
    ----------
    height_m : float
        Height of the tower [m].
    surge_impedance_ohm : float
        Surge impedance of the tower [Ω], see `towerlib.physics.lightning.surge`.
    wire_x_m, wire_y_m, wire_sag_m, wire_radius_m : tuple of float
        Shield wires: distance from the axis, height at the tower, sag, radius [m].
    phase_x_m, phase_y_m, crossarm_y_m, phase_sag_m : tuple of float
        Phase conductors of every circuit: distance from the axis, height at the tower, height of the crossarm,
        sag [m].
    phase_angle_deg : tuple of float
        Angle of each phase, see `PHASE_ANGLE_DEG` [deg].
    strike_length_m : float
        Shortest path in air across the insulator [m].
    voltage_kv : float
        Voltage between phases, effective value [kV].
    held : tuple of int
        Positions of phases that arresters hold at the potential of the tower.

    Raises
    ------
    ValueError
        A length, impedance or voltage that is not above 0; no shield wire or no phase; tuples of unequal length;
        a shield wire that is not above every phase; a crossarm above the tower.
    """

    height_m: float
    surge_impedance_ohm: float
    wire_x_m: tuple
    wire_y_m: tuple
    wire_sag_m: tuple
    wire_radius_m: tuple
    phase_x_m: tuple
    phase_y_m: tuple
    crossarm_y_m: tuple
    phase_sag_m: tuple
    phase_angle_deg: tuple
    strike_length_m: float
    voltage_kv: float
    held: tuple = ()

    def __post_init__(self) -> None:
        """Refuse impossible dimensions."""
        for kind, names in (("wire", WIRE_FIELDS), ("phase", PHASE_FIELDS)):
            _check_lengths(self, kind, names)
        for name in ("height_m", "surge_impedance_ohm", "strike_length_m", "voltage_kv"):
            _check_positive(name, getattr(self, name))
        for name in ("wire_y_m", "wire_radius_m", "phase_y_m", "crossarm_y_m"):
            for value in getattr(self, name):
                _check_positive(name, value)
        if min(self.wire_y_m) <= max(self.phase_y_m):
            raise ValueError(
                f"a shield wire at {min(self.wire_y_m):g} m does not lie above the phase at {max(self.phase_y_m):g} m"
            )
        if max(self.crossarm_y_m) > self.height_m:
            raise ValueError(
                f"a crossarm at {max(self.crossarm_y_m):g} m lies above the tower of {self.height_m:g} m"
            )
        if not set(self.held) <= set(range(len(self.phase_x_m))):
            raise ValueError(
                f"phases {self.held} are to be held, but there are only 0 to {len(self.phase_x_m) - 1}"
            )

    @property
    def wire_spacing_m(self) -> float:
        """Distance between the outer shield wires, 0 with one [m]."""
        return max(self.wire_x_m) - min(self.wire_x_m)

    @property
    def least_height_m(self) -> float:
        """Height below which a tower with this head would have a wire, a phase or a crossarm in the ground [m]."""
        wires_m = mean_height(self.wire_y_m, self.wire_sag_m)
        phases_m = mean_height(self.phase_y_m, self.phase_sag_m)
        return float(self.height_m - min(*wires_m, *phases_m, *self.crossarm_y_m))

    @property
    def free(self) -> tuple[int, ...]:
        """Positions of the phases that can flash over: those that no arrester holds."""
        return tuple(place for place in range(len(self.phase_x_m)) if place not in self.held)


def _check_lengths(geometry, kind, names):
    counts = {name: len(getattr(geometry, name)) for name in names}
    if 0 in counts.values():
        raise ValueError(f"no {'shield wire' if kind == 'wire' else 'phase'} is given")
    if len(set(counts.values())) > 1:
        listed = ", ".join(f"{count} in {name}" for name, count in counts.items())
        raise ValueError(f"each {kind} needs one value of each kind, but there are {listed}")


def _check_positive(name, value):
    if not 0 < value < np.inf:
        raise ValueError(f"{name} = {value:g}: a number above 0 is needed")


@dataclass(frozen=True)
class Surges:
    """Surge impedance and coupling at towers of given heights; leading axes follow the heights.

    Attributes
    ----------
    wire_ohm : array, shape (...)
        Surge impedance of all shield wires of one direction in parallel [Ω].
    coupling : array, shape (..., p)
        Share of the tower's potential that appears on each of p free phases.
    """

    wire_ohm: np.ndarray
    coupling: np.ndarray


def surges(
    geometry: LineGeometry, height_m: ArrayLike | None = None, *, corona_kv: float | None = None
) -> Surges:
    """Surge impedance of the shield wires and their coupling to the phases.

    Parameters
    ----------
    geometry : LineGeometry
        The line.
    height_m : float or array, optional
        Heights of towers [m]; else that of the geometry. Wires and phases move up or down with the top.
    corona_kv : float, optional
        Voltage of the shield wires for their corona sheath [kV]; else there is none, which is the cautious way.

    Returns
    -------
    Surges
        For the free phases in the order of ``geometry.free``.

    Raises
    ------
    ValueError
        A height at which a phase would touch the ground.

    Notes
    -----
    Images in the ground: Z_ii = 60·ln(2h/r), Z_ij = 60·ln(D/d), at mean heights y − ⅔·sag. All wires at one
    potential carry the currents y = Z⁻¹·1: Zg = 1/Σy and C_n = Σ Z_ni·y_i; for two equal wires the familiar
    (Z11 + Z12)/2 and (Z1n + Z2n)/(Z11 + Z12). Held phases count as wires.

    References
    ----------
    Images: any textbook. Corona: √(ln(2h/r)·ln(2h/Rc)), Anderson (1982), ch. 12, from memory.

    Examples
    --------
    >>> from towerlib.physics.lightning.surge import typical_geometry
    >>> met = surges(typical_geometry(132.0))
    >>> print(met.wire_ohm.round(1), met.coupling[:3].round(3))
    556.5 [0.198 0.147 0.107]
    """
    raised_m = 0.0 if height_m is None else np.asarray(height_m, float) - geometry.height_m
    x_m, y_m, radius_m = _tied(geometry)
    y_m = y_m + np.asarray(raised_m)[..., None]
    free = list(geometry.free)
    phase_x_m = np.array(geometry.phase_x_m)[free]
    phase_y_m = mean_height(geometry.phase_y_m, geometry.phase_sag_m)[free] + np.asarray(raised_m)[..., None]
    if np.any(y_m <= 0) or np.any(phase_y_m <= 0):
        raise ValueError("at mid-span a wire would hang below ground: check heights and sags")
    image_log = _image_logs(x_m, y_m, radius_m, corona_kv)
    share = np.linalg.solve(image_log, np.ones((*y_m.shape, 1)))[..., 0]
    across = phase_x_m[:, None] - x_m
    near, far = (phase_y_m[..., :, None] + sign * y_m[..., None, :] for sign in (-1.0, 1.0))
    mutual_log = np.log(np.hypot(across, far) / np.hypot(across, near))
    return Surges(OHM_PER_LOG / share.sum(axis=-1), (mutual_log @ share[..., None])[..., 0])


def _tied(geometry):
    """Place, mean height and radius of every wire at the tower's potential: shield wires, then held phases."""
    held = list(geometry.held)
    x_m = np.r_[geometry.wire_x_m, np.array(geometry.phase_x_m)[held]]
    wires_m = mean_height(geometry.wire_y_m, geometry.wire_sag_m)
    held_m = mean_height(geometry.phase_y_m, geometry.phase_sag_m)[held]
    radius_m = np.r_[geometry.wire_radius_m, np.full(len(held), number("phase_radius_m"))]
    return x_m, np.r_[wires_m, held_m], radius_m


def _image_logs(x_m, y_m, radius_m, corona_kv):
    """Surge impedances between wires, over 60 Ω: (..., w, w)."""
    across = x_m[:, None] - x_m
    near, far = (y_m[..., :, None] + sign * y_m[..., None, :] for sign in (-1.0, 1.0))
    own = np.eye(len(x_m), dtype=bool)
    distance_m = np.where(own, 1.0, np.hypot(across, near))
    own_log = np.log(2.0 * y_m / radius_m)
    if corona_kv is not None:
        own_log = np.sqrt(own_log * np.log(2.0 * y_m / corona_radius(y_m, corona_kv)))
    return np.where(own, own_log[..., None], np.log(np.hypot(across, far) / distance_m))


def corona_radius(height_m: ArrayLike, voltage_kv: ArrayLike) -> FloatOrArray:
    """Radius of the corona sheath around a wire.

    Parameters
    ----------
    height_m, voltage_kv : float or array
        Mean height [m], voltage of the wire [kV].

    Returns
    -------
    float or array
        The smaller root of Rc·ln(2h/Rc) = V/1500 [m]; NaN where the voltage is too high for one.

    References
    ----------
    Anderson (1982), ch. 12; IEEE Std 1243-1997; from memory.

    Examples
    --------
    >>> print(round(float(corona_radius(26.667, 1000.0)), 3))
    0.107
    """
    height_m = np.asarray(height_m, float)
    wanted_m = np.asarray(voltage_kv, float) / number("corona_edge_kv_m")
    radius_m = wanted_m / np.log(2.0 * height_m / np.minimum(wanted_m, height_m))
    for _ in range(50):  # contracts by 1/ln(2h/Rc) each time
        radius_m = wanted_m / np.log(2.0 * height_m / np.minimum(radius_m, 0.7 * height_m))
    return np.where(wanted_m < 2.0 * height_m / np.e, radius_m, np.nan)


def typical_geometry(voltage_kv: float) -> LineGeometry:
    """Typical geometry of the class that holds a voltage; callers mark every result from it as assumed.

    Parameters
    ----------
    voltage_kv : float
        Voltage between phases [kV].

    Returns
    -------
    LineGeometry
        With the voltage asked for. Two circuits: phases 0 to 2 on one side from the top, 3 to 5 on the other.

    Raises
    ------
    ValueError
        Outside the classes (38 to 420 kV).

    References
    ----------
    ``typical.csv``: plausible dimensions of lattice towers, taken from no real line.

    Examples
    --------
    >>> typical_geometry(150.0).strike_length_m
    1.31
    """
    row = _class_of(voltage_kv)
    wires, phases = len(_numbers(row["wire_x_m"])), len(_numbers(row["phase_x_m"]))
    side = _numbers(row["phase_x_m"])
    return LineGeometry(
        height_m=float(row["height_m"]),
        surge_impedance_ohm=float(row["surge_impedance_ohm"]),
        wire_x_m=_numbers(row["wire_x_m"]),
        wire_y_m=(float(row["wire_y_m"]),) * wires,
        wire_sag_m=(float(row["wire_sag_m"]),) * wires,
        wire_radius_m=(float(row["wire_radius_m"]),) * wires,
        phase_x_m=side + tuple(-x for x in side),
        phase_y_m=2 * _numbers(row["phase_y_m"]),
        crossarm_y_m=2 * _numbers(row["crossarm_y_m"]),
        phase_sag_m=2 * phases * (float(row["phase_sag_m"]),),
        phase_angle_deg=2 * tuple(PHASE_ANGLE_DEG[phase] for phase in ORDER),
        strike_length_m=float(row["strike_length_m"]),
        voltage_kv=float(voltage_kv),
    )


@cache
def classes() -> tuple[dict[str, str], ...]:
    """Rows of the shipped table of typical towers, one per voltage class.

    Returns
    -------
    tuple of dict
        Columns of ``typical.csv`` as text.

    Examples
    --------
    >>> [row["from_kv"] for row in classes()]
    ['38', '85', '121', '170', '300']
    """
    text = files("towerlib.physics.lightning").joinpath("typical.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def _class_of(voltage_kv):
    for row in classes():
        if float(row["from_kv"]) <= voltage_kv < float(row["below_kv"]):
            return row
    first, last = classes()[0]["from_kv"], classes()[-1]["below_kv"]
    raise ValueError(
        f"no typical tower for {voltage_kv:g} kV: the table goes from {first} to below {last} kV"
    )


def _numbers(text):
    return tuple(float(word) for word in text.split())


def waist_surge_impedance(
    height_m: ArrayLike,
    waist_height_m: ArrayLike,
    top_radius_m: ArrayLike,
    waist_radius_m: ArrayLike,
    base_radius_m: ArrayLike,
) -> FloatOrArray:
    """Surge impedance of the usual lattice tower with a waist.

    Parameters
    ----------
    height_m, waist_height_m, top_radius_m, waist_radius_m, base_radius_m : float or array
        As for `mean_radius`.

    Returns
    -------
    float or array
        [Ω]. The formulas for towers spread from 112 to 285 Ω on one tower of 45 m.

    References
    ----------
    As for `mean_radius`.

    Examples
    --------
    >>> print(waist_surge_impedance(30.0, 15.0, 0.0, 1.5, 3.0))
    179.8
    """
    mean_m = mean_radius(height_m, waist_height_m, top_radius_m, waist_radius_m, base_radius_m)
    return slender_surge_impedance(height_m, mean_m)


def mean_radius(
    height_m: ArrayLike,
    waist_height_m: ArrayLike,
    top_radius_m: ArrayLike,
    waist_radius_m: ArrayLike,
    base_radius_m: ArrayLike,
) -> FloatOrArray:
    """Mean radius of a tower with a waist, as `slender_surge_impedance` takes it.

    Parameters
    ----------
    height_m, waist_height_m : float or array
        Height of the tower and of its waist [m].
    top_radius_m, waist_radius_m, base_radius_m : float or array
        Radii [m]; of a square base of side B between B/2 and B/√2.

    Returns
    -------
    float or array
        (r1·h2 + r2·h + r3·h1)/h [m], h1 below the waist and h2 above it: the base radius for a cone, and
        twice the radius for a cylinder, as the source has it.

    References
    ----------
    CIGRE Technical Brochure 63 (1991), as quoted by Liu et al. (paper on 275 kV cable transients, eqs 5–6).

    Examples
    --------
    >>> print(mean_radius(30.0, 15.0, 0.0, 1.5, 3.0))
    3.0
    """
    height_m, below = np.asarray(height_m, float), np.asarray(waist_height_m, float)
    above = height_m - below
    return (above * top_radius_m + height_m * waist_radius_m + below * base_radius_m) / height_m


def slender_surge_impedance(height_m: ArrayLike, radius_m: ArrayLike) -> FloatOrArray:
    """Surge impedance of a conical tower, averaged for horizontal current above it.

    Parameters
    ----------
    height_m, radius_m : float or array
        Height, (mean) radius [m].

    Returns
    -------
    float or array
        60·ln cot(½·arctan(r/h)) [Ω].

    References
    ----------
    Chisholm et al. 1983, as tabulated by Salarieh et al. (2020), Table I.

    Examples
    --------
    >>> print(slender_surge_impedance(30.0, 3.0))
    179.8
    """
    return -60.0 * np.log(np.tan(0.5 * np.arctan(np.asarray(radius_m, float) / height_m)))


def cone_surge_impedance(height_m: ArrayLike, radius_m: ArrayLike) -> FloatOrArray:
    """Surge impedance of a conical tower, stroke along its axis from above.

    Parameters
    ----------
    height_m, radius_m : float or array
        Height, radius of the base [m].

    Returns
    -------
    float or array
        60·ln(√2·√(h² + r²)/r) [Ω].

    References
    ----------
    Sargent and Darveniza 1969, as tabulated by Salarieh et al. (2020), Table I.

    Examples
    --------
    >>> print(cone_surge_impedance(30.0, 3.0))
    159.3
    """
    return 60.0 * np.log(np.sqrt(2.0) * np.hypot(height_m, radius_m) / np.asarray(radius_m, float))


def travel_time(length_m: ArrayLike, speed: float = 1.0) -> FloatOrArray:
    """Time a surge takes over a length.

    Parameters
    ----------
    length_m : float or array
        [m].
    speed : float
        Over the speed of light [1]: 1 along a span, ``lightning_tower_speed`` along a tower.

    Returns
    -------
    float or array
        [µs].

    Examples
    --------
    >>> print(round(float(travel_time(300.0)), 4))
    1.0007
    """
    return np.asarray(length_m, float) / (number("light_m_us") * speed)

"""What a synthetic line is made of."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import Any


# Share of the visits that carry each flaw of the reading.
FLAWS = {
    "reversed coil": 0.030,
    "two turns on one leg": 0.015,
    "half the turns on one leg": 0.010,
    "turns not entered": 0.010,
    "over_range": 0.010,
    "probes too near": 0.015,
    "probes along the line": 0.015,
    "high probe resistance": 0.012,
    "method not stated": 0.006,
    "stood at the neighbour": 0.004,
}


@dataclass(frozen=True)
class Campaign:
    """A round of tests.

    Attributes
    ----------
    start : str
        First day, ISO 8601.
    soil_state : str
        ``dry``, ``normal`` or ``wet``.
    share, no_coils_share : float
        Share of the towers that it reaches, and of these the share that is tested without coils.
    crews : str
        One letter a crew.
    """

    start: str
    soil_state: str
    share: float
    no_coils_share: float
    crews: str


@dataclass(frozen=True)
class Route:
    """Where the line runs and what stands there.

    Attributes
    ----------
    latitude_deg, longitude_deg : float
        First tower.
    sections : tuple of (float, int)
        Straight sections: bearing [deg] and count of towers.
    span_m : float
        Mean span [m].
    names : str
        How towers are named: ``padded`` (001, 012A), ``plain`` (1, 12A), ``section`` (A/1, B/7).
    monopoles, guyed, insulated : tuple of (int, int)
        Ranges of positions with other structures, or with an insulated shield wire.
    """

    latitude_deg: float
    longitude_deg: float
    sections: tuple[tuple[float, int], ...]
    span_m: float
    names: str
    monopoles: tuple[tuple[int, int], ...] = ()
    guyed: tuple[tuple[int, int], ...] = ()
    insulated: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Ground:
    """Soil and feet.

    Attributes
    ----------
    resistivity_ohm_m, spread : float
        Median along the line [Ω·m] and standard deviation of the logarithm.
    leg_spacing_m : float
        Distance of neighbouring legs [m].
    ring_share : float
        Share of the lattice towers whose legs a buried ring joins.
    """

    resistivity_ohm_m: float
    spread: float
    leg_spacing_m: float
    ring_share: float


@dataclass(frozen=True)
class Drive:
    """What makes currents in service.

    Attributes
    ----------
    forced_a : float
        Current that the phases would force along an unbroken shield wire [A].
    unevenness : float
        Relative standard deviation of that current from span to span.
    transpositions : tuple of int
        Positions of the towers at which the phases change places.
    """

    forced_a: float
    unevenness: float
    transpositions: tuple[int, ...] = ()


@dataclass(frozen=True)
class Planted:
    """How many towers carry each hidden defect.

    Attributes
    ----------
    open_bonds, worn_bonds, corroded_legs, open_legs : int
        Counts of towers, one defect a tower.
    open_span : int or None
        Position of the tower behind which the shield wire is broken.
    treated, untested : int
        Towers with completed works (the last of them without success), and towers that no crew ever reached.
    since : tuple of str
        Days on one of which a defect began.
    open_span_since : str
        Day on which the shield wire broke.
    """

    open_bonds: int
    worn_bonds: int
    corroded_legs: int
    open_legs: int
    open_span: int | None
    treated: int
    untested: int
    since: tuple[str, ...] = ("2020-06-15", "2022-01-20", "2023-07-02", "2024-11-11")
    open_span_since: str = "2023-10-05"


@dataclass(frozen=True)
class Sensor:
    """How true the coils of all crews read: standard deviations.

    Attributes
    ----------
    gain : float
        Of the gain [1].
    noise_ma : float
        Of what is added to the reading, in phase and across [mA].
    step_ma : float
        Step of the display, above 0 [mA].
    phase_deg : float
        Of the phase [deg].
    """

    gain: float = 0.03
    noise_ma: float = 1.0
    step_ma: float = 1.0
    phase_deg: float = 1.0


@dataclass(frozen=True)
class LineSpec:
    """A synthetic line.

    Attributes
    ----------
    line_id : str
        Names the folder.
    prefix : str
        Starts the ids of visits, trip-outs and access groups.
    settings : str
        The text of its ``line.toml``; shield wires, stations, coils and lightning are taken from there.
    route, ground, drive, planted, campaigns
        What it is made of.
    flaws : dict of str to float
        Share of the visits that carry each flaw of the reading.
    separator : str
        Between the cells of its files.
    split_visits : bool
        Visits in one file a crew and month, as crews send them.
    """

    line_id: str
    prefix: str
    settings: str
    route: Route
    ground: Ground
    drive: Drive
    planted: Planted
    campaigns: tuple[Campaign, ...]
    flaws: dict = field(default_factory=lambda: dict(FLAWS))
    separator: str = ","
    split_visits: bool = False


def sensor_of(settings: dict[str, Any]) -> Sensor:
    """Sensor that keeps just what the ``[coils]`` of a ``line.toml`` promise.

    Parameters
    ----------
    settings : dict
        The settings file; what it does not say of its coils is as usual.

    Returns
    -------
    Sensor

    Notes
    -----
    A promise is a limit of error; taken as rectangular, its standard deviation is the limit over √3
    (JCGM 100:2008, 4.3.7, from memory).

    Examples
    --------
    >>> print(sensor_of({"coils": {"gain_percent": 3.0, "offset_ma": 2.0}}))
    Sensor(gain=0.01732, noise_ma=1.1547, step_ma=1.0, phase_deg=1.0)
    """
    coils, usual = settings.get("coils", {}), Sensor()
    promised = {"gain": ("gain_percent", 100 * sqrt(3)), "noise_ma": ("offset_ma", sqrt(3))}
    promised["step_ma"] = ("step_ma", 1.0)
    known = {name: coils[key] / over for name, (key, over) in promised.items() if key in coils}
    return replace(usual, **known)


def with_sensor(spec: LineSpec, sensor: Sensor) -> LineSpec:
    """The same line tested with other coils, and its ``line.toml`` telling the truth about them.

    Parameters
    ----------
    spec : LineSpec
        Its settings say nothing of coils so far.
    sensor : Sensor
        The coils; the phase cannot be told in a ``line.toml`` and stays as usual.

    Returns
    -------
    LineSpec

    Examples
    --------
    >>> from towerlib.simulate.demo import quillmere_tolstrand
    >>> print(with_sensor(quillmere_tolstrand(), Sensor(gain=0.01)).settings[-91:].strip())
    [coils]
    gain_percent = 1.732050808
    offset_ma = 1.732050808
    step_ma = 1
    shared_total = true
    """
    limits = {
        "gain_percent": 100 * sqrt(3) * sensor.gain,
        "offset_ma": sqrt(3) * sensor.noise_ma,
        "step_ma": sensor.step_ma,
    }
    lines = [f"{name} = {limit:.10g}" for name, limit in limits.items()]
    coils = "\n".join(["", "[coils]", *lines, "shared_total = true", ""])
    return replace(spec, settings=spec.settings + coils)

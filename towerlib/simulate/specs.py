"""Specification of a synthetic line."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import Any


# Share of the visits with each flaw of the reading.
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
    """One round of tests: share of the towers reached, share of these tested without coils, one letter per crew."""

    start: str
    soil_state: str
    share: float
    no_coils_share: float
    crews: str


@dataclass(frozen=True)
class Route:
    """Route of the line: straight sections by bearing [°] and count of towers, and ranges of towers of other structure.

    `names` is the style of the tower names: ``padded`` (001, 012A), ``plain`` (1, 12A), ``section`` (A/1, B/7).
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
    """Soil (median along the line, standard deviation of its logarithm), legs, and share of towers with a ring."""

    resistivity_ohm_m: float
    spread: float
    leg_spacing_m: float
    ring_share: float


@dataclass(frozen=True)
class Drive:
    """Sources of the currents in service: the one forced along an unbroken wire [A], and its relative deviation."""

    forced_a: float
    unevenness: float
    transpositions: tuple[int, ...] = ()


@dataclass(frozen=True)
class Planted:
    """Numbers of towers with each hidden defect, at most one per tower.

    `open_span` is the position of the tower before the broken shield wire; the last one of the `treated` had no
    success; `since` holds possible first days of a defect.
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
    """Errors of the coils of all crews, as standard deviations.

    Gain [1], additive error in phase and in quadrature [mA], step of the display (above 0) [mA], phase [°].
    """

    gain: float = 0.03
    noise_ma: float = 1.0
    step_ma: float = 1.0
    phase_deg: float = 1.0


@dataclass(frozen=True)
class LineSpec:
    """A synthetic line; `settings` is the text of its ``line.toml``, `flaws` the share of the visits with each flaw.

    `prefix` begins the ids of visits, trip-outs and access groups; `split_visits` gives one file per crew and month.
    """

    line_id: str
    prefix: str
    settings: str
    route: Route
    ground: Ground
    drive: Drive
    planted: Planted
    campaigns: tuple[Campaign, ...]
    flaws: dict[str, float] = field(default_factory=lambda: dict(FLAWS))
    separator: str = ","
    split_visits: bool = False


def sensor_of(settings: dict[str, Any]) -> Sensor:
    """Sensor with exactly the errors stated under ``[coils]`` of a ``line.toml``, or their defaults.

    The stated values are limits of error; for a rectangular distribution the standard deviation is the limit over √3
    (JCGM 100:2008, 4.3.7, from memory).
    """
    coils, usual = settings.get("coils", {}), Sensor()
    promised = {"gain": ("gain_percent", 100 * sqrt(3)), "noise_ma": ("offset_ma", sqrt(3))}
    promised["step_ma"] = ("step_ma", 1.0)
    known = {name: coils[key] / over for name, (key, over) in promised.items() if key in coils}
    return replace(usual, **known)


def with_sensor(spec: LineSpec, sensor: Sensor) -> LineSpec:
    """The same line with other coils, stated correctly in its ``line.toml``, which must not contain any yet.

    The phase error cannot be stated in a ``line.toml`` and remains at its default.
    """
    limits = {
        "gain_percent": 100 * sqrt(3) * sensor.gain,
        "offset_ma": sqrt(3) * sensor.noise_ma,
        "step_ma": sensor.step_ma,
    }
    lines = [f"{name} = {limit:.10g}" for name, limit in limits.items()]
    coils = "\n".join(["", "[coils]", *lines, "shared_total = true", ""])
    return replace(spec, settings=spec.settings + coils)

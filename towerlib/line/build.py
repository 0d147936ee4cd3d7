"""What the line is built of: stations, shield wires, towers, phases; what drives it."""

from typing import Literal

from pydantic import Field, model_validator

from towerlib.line.base import Settings
from towerlib.values import number


class Station(Settings):
    """One end of the line."""

    name: str = Field("", description="Name shown on maps and pages")
    earth_ohm: float | None = Field(None, gt=0, le=1e6, description="Resistance to earth of the station [Ω]")
    latitude_deg: float | None = Field(None, ge=-90, le=90, description="Position, WGS 84 [deg]")
    longitude_deg: float | None = Field(None, ge=-180, le=180, description="Position, WGS 84 [deg]")


class Stations(Settings):
    """Both ends of the line."""

    first: Station = Field(Station(), description="Where chainage starts")
    last: Station = Field(Station(), description="Where chainage ends")


class ShieldWire(Settings):
    """One shield wire at the tower."""

    x_m: float = Field(ge=-1000, le=1000, description="Distance from the tower axis [m]")
    y_m: float = Field(gt=0, le=1000, description="Height at the tower [m]")
    sag_m: float = Field(0, ge=0, le=1000, description="Sag at mid-span [m]")
    radius_mm: float = Field(gt=0, le=100, description="Radius [mm]")
    gmr_mm: float = Field(gt=0, le=1000, description="Geometric mean radius [mm]")
    r_ohm_km: float = Field(gt=0, le=1000, description="Resistance at the line's frequency [Ω/km]")

    @model_validator(mode="after")
    def _current_inside_the_wire(self):
        # all current on the surface gives the greatest: the radius itself
        if self.gmr_mm > self.radius_mm:
            raise ValueError(f"gmr_mm {self.gmr_mm:g} lies above radius_mm {self.radius_mm:g}")
        return self


class ShieldWires(Settings):
    """All shield wires."""

    wires: tuple[ShieldWire, ...] = Field((), description="One entry a wire")


class Tower(Settings):
    """The line's usual tower; a tower's own columns go before it."""

    height_m: float | None = Field(None, gt=0, le=500, description="Height [m]")
    surge_impedance_ohm: float | None = Field(None, gt=0, le=1e4, description="Surge impedance [Ω]")
    top_radius_m: float | None = Field(None, gt=0, le=100, description="Radius at the top [m]")
    waist_radius_m: float | None = Field(None, gt=0, le=100, description="Radius at the waist [m]")
    waist_height_m: float | None = Field(None, gt=0, le=500, description="Height of the waist [m]")
    base_radius_m: float | None = Field(None, gt=0, le=100, description="Radius at the base [m]")


class Conductor(Settings):
    """One phase conductor of one circuit, at the tower."""

    circuit: int = Field(1, ge=1, le=100, description="Circuit number")
    phase: Literal["a", "b", "c"] = Field(description="Phase")
    x_m: float = Field(ge=-1000, le=1000, description="Distance from the tower axis [m]")
    y_m: float = Field(gt=0, le=1000, description="Height at the tower [m]")
    crossarm_y_m: float | None = Field(None, gt=0, le=1000, description="Height of the crossarm [m]")


class Phases(Settings):
    """Every conductor of every circuit."""

    sag_m: float = Field(0, ge=0, le=1000, description="Sag at mid-span [m]")
    strike_length_m: float | None = Field(
        None, gt=0, le=20, description="Shortest path in air across the insulator [m]"
    )
    conductors: tuple[Conductor, ...] = Field((), description="One entry a conductor")


class EarthFault(Settings):
    """Earth-fault current from both ends, and how long it flows."""

    from_first_a: float | None = Field(None, ge=0, le=1e6, description="Current from the first station [A]")
    from_last_a: float | None = Field(None, ge=0, le=1e6, description="Current from the last station [A]")
    clearing_s: float | None = Field(None, gt=0, le=1e5, description="Clearing time [s]")


class Lightning(Settings):
    """How often lightning strikes the ground along the line."""

    ground_flash_density: float | None = Field(None, ge=0, le=200, description="Flashes per km² and year")
    source: str = Field("", description="Where the figure comes from")
    ground_flash_density_percent: float = Field(
        number("flash_density_percent"), ge=0, le=200, description="Standard uncertainty of that figure [%]"
    )
    peak_currents: Literal["IEEE", "CIGRE"] = Field(
        "IEEE", description="Distribution of the peak currents of first strokes"
    )
    assume_missing_soil: bool = Field(
        True, description="Where a tower has no soil resistivity, take 20 m times its footing resistance"
    )
    shielding_failures_per_100_km_year: float = Field(
        0.0, ge=0, le=1000, description="Trip-outs past the shield wire, which no earthing changes"
    )
    trip_outs_per_flashover: float = Field(
        1.0, gt=0, le=1, description="Share of the flashovers that trip the line"
    )

"""Which treatments are offered, how they are built, and what a crew does in a day."""

from typing import Literal

from pydantic import Field

from towerlib.line.base import Settings
from towerlib.values import number

KINDS = Literal[
    *("nothing", "retest", "lead", "rebond", "rods", "drilled", "radials", "ring", "ring and radials"),
    *("counterpoise", "arresters", "under-built"),
]


class OwnTreatment(Settings):
    """A treatment of the utility's own, or what differs from the shipped one of that name."""

    option: str = Field(min_length=1, description="Name, as plans and work orders show it")
    kind: KINDS | None = Field(None, description="What it is; needed for a name that is not shipped")
    count: int | None = Field(None, ge=1, le=16, description="Rods or radials")
    length_m: float | None = Field(None, gt=0, le=500, description="Length of each [m]")
    fill_mm: float | None = Field(
        None, ge=0, le=2000, description="Diameter of conductive fill, 0 without [mm]"
    )
    resistivity_min_ohm_m: float | None = Field(
        None, ge=0, le=1e8, description="Soil from which it is offered [Ω·m]"
    )
    life_years: float | None = Field(None, gt=0, le=100, description="Life [years]")
    purse: Literal["maintenance", "capital"] | None = Field(None, description="Who pays")
    verify: str | None = Field(None, description="How its success is checked")


class CrewRates(Settings):
    """What one crew does in a day."""

    trench_m_soft: float = Field(
        number("crew_trench_m_soft"), gt=0, le=1e6, description="Trench, soft ground [m]"
    )
    trench_m_ordinary: float = Field(
        number("crew_trench_m_ordinary"), gt=0, le=1e6, description="Trench, ordinary ground [m]"
    )
    trench_m_stony: float = Field(
        number("crew_trench_m_stony"), gt=0, le=1e6, description="Trench, stony ground [m]"
    )
    trench_m_rock: float = Field(number("crew_trench_m_rock"), gt=0, le=1e6, description="Trench, rock [m]")
    rod_m: float = Field(number("crew_rod_m"), gt=0, le=1e6, description="Rods driven [m]")
    drilled_m: float = Field(number("crew_drilled_m"), gt=0, le=1e6, description="Holes drilled [m]")
    fill_m: float = Field(number("crew_fill_m"), gt=0, le=1e6, description="Fill laid [m]")
    pieces: float = Field(number("crew_pieces"), gt=0, le=1e6, description="Leads or bonds re-made")
    arrester_sets: float = Field(number("crew_arrester_sets"), gt=0, le=1e6, description="Arrester sets hung")
    underbuilt_m: float = Field(
        number("crew_underbuilt_m"), gt=0, le=1e6, description="Under-built wire strung [m]"
    )
    retests: float = Field(number("crew_retests"), gt=0, le=1e6, description="Towers tested")
    days_per_week: float = Field(
        number("crew_days_per_week"), gt=0, le=7, description="Working days of a week"
    )


class Treatments(Settings):
    """Which treatments are offered, and how they are built."""

    off: tuple[str, ...] = Field((), description="Shipped treatments that are not offered")
    own: tuple[OwnTreatment, ...] = Field((), description="Treatments changed or added, one entry each")
    wire_mm: float = Field(number("treatment_wire_mm"), ge=1, le=100, description="Diameter of wire [mm]")
    rod_mm: float = Field(number("treatment_rod_mm"), ge=5, le=300, description="Diameter of rods [mm]")
    trench_depth_m: float = Field(
        number("treatment_trench_m"), gt=0, le=5, description="Depth of trenches and of rod tops [m]"
    )
    rods_outside_m: float = Field(
        number("treatment_rods_outside_m"), gt=0, le=50, description="Rods stand so far outside the legs [m]"
    )
    ring_outside_m: float = Field(
        number("treatment_ring_outside_m"), gt=0, le=50, description="A ring lies so far outside the legs [m]"
    )
    fill_ohm_m: float = Field(
        number("treatment_fill_ohm_m"), gt=0, le=1e8, description="Resistivity of fill [Ω·m]"
    )
    space_m: float | None = Field(
        None, gt=0, le=1e4, description="Longest radial for which there is room [m]; else what practice lays"
    )
    learn: bool = Field(True, description="Correct predictions by what earlier works achieved")
    crew: CrewRates = CrewRates()

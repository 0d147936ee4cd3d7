"""The sections of ``line.toml``: every key with its type, default, range and meaning."""

from datetime import date
from pathlib import Path
from typing import Annotated, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from towerlib.config.limits import DEFAULT, LEAST_OHM, MOST_OHM, is_table, named
from towerlib.errors import SettingsError
from towerlib.values import number


class Settings(BaseModel):
    """A section of ``line.toml``: unknown keys are refused, and values cannot be changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Station(Settings):
    """One end of the line."""

    name: str = Field(default="", description="Name shown on maps and pages")
    earth_ohm: float | None = Field(
        default=None, gt=0, le=1e6, description="Resistance to earth of the station [Ω]"
    )
    latitude_deg: float | None = Field(default=None, ge=-90, le=90, description="Position, WGS 84 [deg]")
    longitude_deg: float | None = Field(default=None, ge=-180, le=180, description="Position, WGS 84 [deg]")


class Stations(Settings):
    """Both ends of the line."""

    first: Station = Field(default=Station(), description="Where chainage starts")
    last: Station = Field(default=Station(), description="Where chainage ends")


class ShieldWire(Settings):
    """One shield wire at the tower."""

    x_m: float = Field(ge=-1000, le=1000, description="Distance from the tower axis [m]")
    y_m: float = Field(gt=0, le=1000, description="Height at the tower [m]")
    sag_m: float = Field(default=0, ge=0, le=1000, description="Sag at mid-span [m]")
    radius_mm: float = Field(gt=0, le=100, description="Radius [mm]")
    gmr_mm: float = Field(gt=0, le=1000, description="Geometric mean radius [mm]")
    r_ohm_km: float = Field(gt=0, le=1000, description="Resistance at the line's frequency [Ω/km]")

    @model_validator(mode="after")
    def _current_inside_the_wire(self) -> Self:
        # current on the surface alone gives the largest mean radius: the radius itself
        if self.gmr_mm > self.radius_mm:
            raise ValueError(f"gmr_mm {self.gmr_mm:g} lies above radius_mm {self.radius_mm:g}")
        return self


class ShieldWires(Settings):
    """All shield wires."""

    wires: tuple[ShieldWire, ...] = Field(default=(), description="One entry per wire")


class Tower(Settings):
    """The typical tower of the line; columns of the register take precedence."""

    height_m: float | None = Field(default=None, gt=0, le=500, description="Height [m]")
    surge_impedance_ohm: float | None = Field(default=None, gt=0, le=1e4, description="Surge impedance [Ω]")
    top_radius_m: float | None = Field(default=None, gt=0, le=100, description="Radius at the top [m]")
    waist_radius_m: float | None = Field(default=None, gt=0, le=100, description="Radius at the waist [m]")
    waist_height_m: float | None = Field(default=None, gt=0, le=500, description="Height of the waist [m]")
    base_radius_m: float | None = Field(default=None, gt=0, le=100, description="Radius at the base [m]")


class Conductor(Settings):
    """One phase conductor of one circuit, at the tower."""

    circuit: int = Field(default=1, ge=1, le=100, description="Circuit number")
    phase: Literal["a", "b", "c"] = Field(description="Phase")
    x_m: float = Field(ge=-1000, le=1000, description="Distance from the tower axis [m]")
    y_m: float = Field(gt=0, le=1000, description="Height at the tower [m]")
    crossarm_y_m: float | None = Field(default=None, gt=0, le=1000, description="Height of the crossarm [m]")


class Phases(Settings):
    """Every conductor of every circuit."""

    sag_m: float = Field(default=0, ge=0, le=1000, description="Sag at mid-span [m]")
    strike_length_m: float | None = Field(
        default=None, gt=0, le=20, description="Shortest path in air across the insulator [m]"
    )
    conductors: tuple[Conductor, ...] = Field(default=(), description="One entry per conductor")


class EarthFault(Settings):
    """Earth-fault current from both ends, and its duration."""

    from_first_a: float | None = Field(
        default=None, ge=0, le=1e6, description="Current from the first station [A]"
    )
    from_last_a: float | None = Field(
        default=None, ge=0, le=1e6, description="Current from the last station [A]"
    )
    clearing_s: float | None = Field(default=None, gt=0, le=1e5, description="Clearing time [s]")


class Lightning(Settings):
    """Lightning along the line: ground flash density, stroke currents, and the step from flashover to trip-out."""

    ground_flash_density: float | None = Field(
        default=None, ge=0, le=200, description="Flashes per km² and year"
    )
    source: str = Field(default="", description="Where the figure comes from")
    ground_flash_density_percent: float = Field(
        default=number("flash_density_percent"),
        ge=0,
        le=200,
        description="Standard uncertainty of that figure [%]",
    )
    peak_currents: Literal["IEEE", "CIGRE"] = Field(
        default="IEEE", description="Distribution of the peak currents of first strokes"
    )
    assume_missing_soil: bool = Field(
        default=True,
        description="Where a tower has no soil resistivity, take 20 m times its footing resistance",
    )
    shielding_failures_per_100_km_year: float = Field(
        default=0.0,
        ge=0,
        le=1000,
        description="Trip-outs by strokes that miss the shield wire, which earthing does not change",
    )
    trip_outs_per_flashover: float = Field(
        default=1.0, gt=0, le=1, description="Share of the flashovers that trip the line"
    )


_USUAL = named(DEFAULT)[0]


class Limits(Settings):
    """Footing impedance: target (good) and limit (acceptable)."""

    rules: str = Field(
        default=DEFAULT, description="A shipped set of rules, or a table of the line folder (name.csv)"
    )
    target_ohm: float = Field(
        default=_USUAL.target_ohm,
        ge=LEAST_OHM,
        le=MOST_OHM,
        description="Good up to this value, in place of the rules [Ω]",
    )
    limit_ohm: float = Field(
        default=_USUAL.limit_ohm,
        ge=LEAST_OHM,
        le=MOST_OHM,
        description="Acceptable up to this value, in place of the rules [Ω]",
    )

    @field_validator("rules")
    @classmethod
    def _known(cls, name: str) -> str:
        if is_table(name) and Path(name).name != name:
            raise ValueError("name a file in the line folder itself")
        try:
            return name if is_table(name) else named(name)[0].rule_set
        except SettingsError as flaw:
            raise ValueError(str(flaw)) from None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        # With another set the rules supply the figure that is missing here; limits.apply compares those.
        both = {"target_ohm", "limit_ohm"} <= self.model_fields_set
        if (both or self.rules == DEFAULT) and self.target_ohm > self.limit_ohm:
            raise ValueError(f"target_ohm {self.target_ohm:g} lies above limit_ohm {self.limit_ohm:g}")
        return self


class Coils(Settings):
    """Accuracy of the current coils: a reading is off by at most gain_percent of itself plus offset_ma."""

    gain_percent: float = Field(default=number("coil_gain_percent"), ge=0, le=50, description="[%]")
    offset_ma: float = Field(default=number("coil_offset_ma"), ge=0, le=1e6, description="[mA]")
    step_ma: float = Field(
        default=number("coil_step_ma"), ge=0, le=1e6, description="Step of the display [mA]"
    )
    shared_total: bool = Field(
        default=False, description="The total is formed from the same coils as the legs"
    )


class Retest(Settings):
    """How long a test stays valid."""

    normal_years: float = Field(
        default=number("retest_normal_years"), gt=0, le=100, description="For most towers [years]"
    )
    close_years: float = Field(
        default=number("retest_close_years"),
        gt=0,
        le=100,
        description="Above the limit, or where people often are [years]",
    )


class Seasons(Settings):
    """Seasonal ratios of footings, 1 or more; monthly readings of control towers give better values."""

    ratio_low: float = Field(
        default=number("season_ratio_low"), ge=1, le=1000, description="Dry over wet soil, low end"
    )
    ratio_high: float = Field(
        default=number("season_ratio_high"), ge=1, le=1000, description="Dry over wet soil, high end"
    )
    ring_ratio_high: float = Field(
        default=number("season_ring_ratio_high"),
        ge=1,
        le=1000,
        description="The same high end where a ring or counterpoise joins the legs",
    )
    frozen_ratio: float = Field(
        default=number("frozen_ratio"), ge=1, le=1000, description="Frozen over thawed soil"
    )
    frozen_ring_ratio: float = Field(
        default=number("frozen_ring_ratio"),
        ge=1,
        le=1000,
        description="The same where a ring or counterpoise joins the legs",
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for name in ("ratio_high", "ring_ratio_high"):
            if self.ratio_low > getattr(self, name):
                raise ValueError(f"ratio_low {self.ratio_low:g} lies above {name} {getattr(self, name):g}")
        return self


class Comparable(Settings):
    """How similar the set-up of two readings must be for a comparison over time."""

    frequency_percent: float = Field(
        default=number("alike_frequency_percent"), ge=0, le=1e4, description="Test frequencies [%]"
    )
    distance_percent: float = Field(
        default=number("alike_distance_percent"), ge=0, le=1e4, description="Probe distances [%]"
    )
    bearing_deg: float = Field(
        default=number("alike_bearing_deg"), ge=0, le=180, description="Probe directions [degrees]"
    )
    blank_agrees: bool = Field(
        default=False,
        description="Treat a set-up that neither visit recorded as the same; else such readings are not "
        "compared",
    )


Queue = Literal["safety", "repair", "bond", "footing", "retest", "none"]
FootingOrder = Literal["benefit per cost", "avoided trip-outs", "impedance"]
ListOrder = Literal["expected benefit", "queues"]
QUEUES: tuple[Queue, ...] = get_args(Queue)
LIST_ORDERS: tuple[ListOrder, ...] = get_args(ListOrder)
BY_QUEUES = LIST_ORDERS[1]
FOOTING_ORDERS: tuple[FootingOrder, ...] = get_args(FootingOrder)


class Plan(Settings):
    """Budget, time and order of the remediation plan."""

    budget: float | None = Field(default=None, ge=0, le=1e15, description="Budget for all years of the plan")
    currency: str = Field(default="", description="Currency of every price and cost")
    cost_per_trip_out: float | None = Field(default=None, ge=0, le=1e15, description="Cost of one trip-out")
    years: int = Field(default=1, ge=1, le=30, description="Years of the plan")
    horizon_years: float = Field(
        default=number("plan_horizon_years"),
        gt=0,
        le=100,
        description="Years over which avoided trip-outs count",
    )
    discount_rate: float = Field(
        default=number("plan_discount_rate"),
        ge=0,
        lt=1,
        description="Discount rate per year",
    )
    crew_weeks_per_year: float | None = Field(
        default=None, gt=0, le=1e6, description="Crew weeks available per year"
    )
    must_treat: tuple[str, ...] = Field(
        default=(), description="Towers that are treated whatever the benefit"
    )
    station_zone_km: float | None = Field(
        default=None,
        gt=0,
        le=1e4,
        description="Towers within this distance of a station are treated together or not at all [km]",
    )
    order: ListOrder = Field(
        default=LIST_ORDERS[0],
        description="Order of the list: safety, certain damage, then expected benefit of the next step; or queue by queue",
    )
    queue_order: tuple[Queue, ...] = Field(
        default=QUEUES, description='Order of the queues where order is "queues"'
    )
    footing_order: FootingOrder = Field(
        default=FOOTING_ORDERS[0],
        description='Order within the footing queue where order is "queues"; where a measure is not available, the '
        "next one decides",
    )

    @field_validator("queue_order")
    @classmethod
    def _every_queue_once(cls, order: tuple[Queue, ...]) -> tuple[Queue, ...]:
        if sorted(order) != sorted(QUEUES):
            raise ValueError(f"each of {', '.join(QUEUES)} must occur in it exactly once")
        return order


Day = Annotated[date, Field(ge=date(1900, 1, 1), le=date(2200, 12, 31))]


class OutageRecord(Settings):
    """Which trip-outs count as lightning, and which days the lists of trip-outs and flashes cover."""

    window_ms: float = Field(
        default=number("flash_window_ms"),
        gt=0,
        le=3.6e6,
        description="A trip-out within this time of a flash [ms]…",
    )
    distance_m: float = Field(
        default=number("flash_distance_m"),
        gt=0,
        le=1e5,
        description="…that struck within this distance of the line counts as lightning [m]",
    )
    storm_minutes: float = Field(
        default=number("storm_minutes"),
        gt=0,
        le=1440,
        description="A storm lasts this long before and after a flash [min]",
    )
    lightning_causes: tuple[str, ...] = Field(default=("lightning",), description="Words that mean lightning")
    unknown_causes: tuple[str, ...] = Field(default=("unknown",), description="Words that mean unknown")
    locator_error_percent: float = Field(
        default=number("locator_error_percent"),
        gt=0,
        le=50,
        description="Standard error of a fault distance without a stated error, in percent of the line's length [%]",
    )
    corridor_m: float | None = Field(
        default=None,
        gt=0,
        le=1e5,
        description="Flashes are counted within this distance on both sides [m]; else chosen from the list",
    )
    detection_share: float | None = Field(
        default=None, gt=0, le=1, description="Share of the ground flashes that the location system lists [1]"
    )
    outages_from: Day | None = Field(default=None, description="First day that outages.csv covers")
    outages_to: Day | None = Field(default=None, description="Last day that outages.csv covers")
    flashes_from: Day | None = Field(default=None, description="First day that flashes.csv covers")
    flashes_to: Day | None = Field(default=None, description="Last day that flashes.csv covers")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for name in ("outages", "flashes"):
            first, last = getattr(self, f"{name}_from"), getattr(self, f"{name}_to")
            if first and last and first > last:
                raise ValueError(f"{name}_from {first} lies after {name}_to {last}")
        return self


OFTEN_VISITED = ("bare feet", "frequented")  # occupancies of places where people often are


class Safety(Settings):
    """The touch-voltage screening: permissible voltage, and the share of the earth-fault potential rise within reach."""

    standard: Literal["EN 50522:2022", "EN 50522:2010", "IEEE 80"] = Field(
        default="EN 50522:2022", description="Where the permissible touch voltage comes from"
    )
    body_kg: Literal[50, 70] = Field(default=50, description="Body weight, for IEEE 80 only [kg]")
    occupancy: Literal["bare feet", "frequented", "accessible", "remote"] | None = Field(
        default=None, description="Who comes near a tower without an entry in the register"
    )
    footwear_ohm: float | None = Field(
        default=None,
        ge=0,
        le=1e7,
        description="Resistance of both shoes together, for EN 50522 where people wear them [Ω]",
    )
    surface_ohm_m: float | None = Field(
        default=None, gt=0, le=1e8, description="Ground under the feet; else the tower's own soil [Ω·m]"
    )
    surface_depth_m: float | None = Field(
        default=None, gt=0, le=100, description="Thickness of a laid surface layer, for IEEE 80 only [m]"
    )
    touch_fraction_low: float | None = Field(
        default=None,
        gt=0,
        le=1,
        description="Smallest share of the earth-fault potential rise within reach; else by kind of footing [1]",
    )
    touch_fraction_high: float | None = Field(
        default=None,
        gt=0,
        le=1,
        description="Largest share of the earth-fault potential rise within reach; else by kind of footing [1]",
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        low, high = self.touch_fraction_low, self.touch_fraction_high
        if (low is None) != (high is None):
            raise ValueError("give both touch_fraction_low and touch_fraction_high, or neither")
        if low is not None and high is not None and low > high:
            raise ValueError(f"touch_fraction_low {low:g} lies above touch_fraction_high {high:g}")
        if self.surface_depth_m is not None and self.surface_ohm_m is None:
            raise ValueError("surface_depth_m needs surface_ohm_m, the resistivity of the layer")
        if self.surface_depth_m is not None and self.standard != "IEEE 80":
            raise ValueError(f"surface_depth_m applies to IEEE 80 only, but the standard is {self.standard}")
        return self


KINDS = Literal[
    "nothing",
    "retest",
    "lead",
    "rebond",
    "rods",
    "drilled",
    "radials",
    "ring",
    "ring and radials",
    "counterpoise",
    "arresters",
    "under-built",
]


class OwnTreatment(Settings):
    """A treatment of the utility's own, or the changes to the shipped treatment of that name."""

    option: str = Field(min_length=1, description="Name, as plans and work orders show it")
    kind: KINDS | None = Field(default=None, description="Kind; needed for a name that is not shipped")
    count: int | None = Field(default=None, ge=1, le=16, description="Rods or radials")
    length_m: float | None = Field(default=None, gt=0, le=500, description="Length of each [m]")
    fill_mm: float | None = Field(
        default=None, ge=0, le=2000, description="Diameter of conductive fill, 0 without [mm]"
    )
    resistivity_min_ohm_m: float | None = Field(
        default=None, ge=0, le=1e8, description="Offered from this soil resistivity [Ω·m]"
    )
    life_years: float | None = Field(default=None, gt=0, le=100, description="Life [years]")
    purse: Literal["maintenance", "capital"] | None = Field(default=None, description="Who pays")
    verify: str | None = Field(default=None, description="How success is verified")


class CrewRates(Settings):
    """Output of one crew in a day."""

    trench_m_soft: float = Field(
        default=number("crew_trench_m_soft"), gt=0, le=1e6, description="Trench, soft ground [m]"
    )
    trench_m_ordinary: float = Field(
        default=number("crew_trench_m_ordinary"), gt=0, le=1e6, description="Trench, ordinary ground [m]"
    )
    trench_m_stony: float = Field(
        default=number("crew_trench_m_stony"), gt=0, le=1e6, description="Trench, stony ground [m]"
    )
    trench_m_rock: float = Field(
        default=number("crew_trench_m_rock"), gt=0, le=1e6, description="Trench, rock [m]"
    )
    rod_m: float = Field(default=number("crew_rod_m"), gt=0, le=1e6, description="Rods driven [m]")
    drilled_m: float = Field(default=number("crew_drilled_m"), gt=0, le=1e6, description="Holes drilled [m]")
    fill_m: float = Field(default=number("crew_fill_m"), gt=0, le=1e6, description="Fill laid [m]")
    pieces: float = Field(default=number("crew_pieces"), gt=0, le=1e6, description="Leads or bonds renewed")
    arrester_sets: float = Field(
        default=number("crew_arrester_sets"), gt=0, le=1e6, description="Arrester sets installed"
    )
    underbuilt_m: float = Field(
        default=number("crew_underbuilt_m"), gt=0, le=1e6, description="Under-built wire strung [m]"
    )
    retests: float = Field(default=number("crew_retests"), gt=0, le=1e6, description="Towers tested")
    days_per_week: float = Field(
        default=number("crew_days_per_week"), gt=0, le=7, description="Working days per week"
    )


class Treatments(Settings):
    """Treatments on offer, and their construction."""

    off: tuple[str, ...] = Field(default=(), description="Shipped treatments that are not offered")
    own: tuple[OwnTreatment, ...] = Field(
        default=(), description="Treatments changed or added, one entry per treatment"
    )
    wire_mm: float = Field(
        default=number("treatment_wire_mm"), ge=1, le=100, description="Diameter of wire [mm]"
    )
    rod_mm: float = Field(
        default=number("treatment_rod_mm"), ge=5, le=300, description="Diameter of rods [mm]"
    )
    trench_depth_m: float = Field(
        default=number("treatment_trench_m"), gt=0, le=5, description="Depth of trenches and of rod tops [m]"
    )
    rods_outside_m: float = Field(
        default=number("treatment_rods_outside_m"),
        gt=0,
        le=50,
        description="Distance of rods outside the legs [m]",
    )
    ring_outside_m: float = Field(
        default=number("treatment_ring_outside_m"),
        gt=0,
        le=50,
        description="Distance of a ring outside the legs [m]",
    )
    fill_ohm_m: float = Field(
        default=number("treatment_fill_ohm_m"), gt=0, le=1e8, description="Resistivity of fill [Ω·m]"
    )
    space_m: float | None = Field(
        default=None,
        gt=0,
        le=1e4,
        description="Longest radial for which there is room [m]; else the usual length",
    )
    learn: bool = Field(default=True, description="Correct predictions by the results of earlier works")
    crew: CrewRates = CrewRates()

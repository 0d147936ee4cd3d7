"""The sections of ``line.toml``: every key with its type, default, range and meaning."""

from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from towerlib.config.limits import DEFAULT, LEAST_OHM, MOST_OHM, is_table, named
from towerlib.errors import SettingsError
from towerlib.values import number


def key(meaning: str, default: Any = ..., **limits: Any) -> Any:
    """A key of a section: its meaning with the unit, its default (none: the key is needed), and its limits."""
    return Field(default, description=meaning, **limits)


class Settings(BaseModel):
    """A section of ``line.toml``: unknown keys are refused, and values cannot be changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Station(Settings):
    """One end of the line."""

    name: str = key("Name shown on maps and pages", "")
    earth_ohm: float | None = key("Resistance to earth of the station [Ω]", None, gt=0, le=1e6)
    latitude_deg: float | None = key("Position, WGS 84 [deg]", None, ge=-90, le=90)
    longitude_deg: float | None = key("Position, WGS 84 [deg]", None, ge=-180, le=180)


class Stations(Settings):
    """Both ends of the line."""

    first: Station = key("Where chainage starts", Station())
    last: Station = key("Where chainage ends", Station())


class ShieldWire(Settings):
    """One shield wire at the tower."""

    x_m: float = key("Distance from the tower axis [m]", ge=-1000, le=1000)
    y_m: float = key("Height at the tower [m]", gt=0, le=1000)
    sag_m: float = key("Sag at mid-span [m]", 0, ge=0, le=1000)
    radius_mm: float = key("Radius [mm]", gt=0, le=100)
    gmr_mm: float = key("Geometric mean radius [mm]", gt=0, le=1000)
    r_ohm_km: float = key("Resistance at the line's frequency [Ω/km]", gt=0, le=1000)

    @model_validator(mode="after")
    def _current_inside_the_wire(self) -> Self:
        # current on the surface alone gives the largest mean radius: the radius itself
        if self.gmr_mm > self.radius_mm:
            raise ValueError(f"gmr_mm {self.gmr_mm:g} lies above radius_mm {self.radius_mm:g}")
        return self


class ShieldWires(Settings):
    """All shield wires."""

    wires: tuple[ShieldWire, ...] = key("One entry per wire", ())


class Tower(Settings):
    """The typical tower of the line; columns of the register take precedence."""

    height_m: float | None = key("Height [m]", None, gt=0, le=500)
    surge_impedance_ohm: float | None = key("Surge impedance [Ω]", None, gt=0, le=1e4)
    top_radius_m: float | None = key("Radius at the top [m]", None, gt=0, le=100)
    waist_radius_m: float | None = key("Radius at the waist [m]", None, gt=0, le=100)
    waist_height_m: float | None = key("Height of the waist [m]", None, gt=0, le=500)
    base_radius_m: float | None = key("Radius at the base [m]", None, gt=0, le=100)


class Conductor(Settings):
    """One phase conductor of one circuit, at the tower."""

    circuit: int = key("Circuit number", 1, ge=1, le=100)
    phase: Literal["a", "b", "c"] = key("Phase")
    x_m: float = key("Distance from the tower axis [m]", ge=-1000, le=1000)
    y_m: float = key("Height at the tower [m]", gt=0, le=1000)
    crossarm_y_m: float | None = key("Height of the crossarm [m]", None, gt=0, le=1000)


class Phases(Settings):
    """Every conductor of every circuit."""

    sag_m: float = key("Sag at mid-span [m]", 0, ge=0, le=1000)
    strike_length_m: float | None = key("Shortest path in air across the insulator [m]", None, gt=0, le=20)
    conductors: tuple[Conductor, ...] = key("One entry per conductor", ())


class EarthFault(Settings):
    """Earth-fault current from both ends, and its duration."""

    from_first_a: float | None = key("Current from the first station [A]", None, ge=0, le=1e6)
    from_last_a: float | None = key("Current from the last station [A]", None, ge=0, le=1e6)
    clearing_s: float | None = key("Clearing time [s]", None, gt=0, le=1e5)


class Lightning(Settings):
    """Lightning along the line: ground flash density, stroke currents, and the step from flashover to trip-out."""

    ground_flash_density: float | None = key("Flashes per km² and year", None, ge=0, le=200)
    source: str = key("Where the figure comes from", "")
    ground_flash_density_percent: float = key(
        "Standard uncertainty of that figure [%]", number("flash_density_percent"), ge=0, le=200
    )
    peak_currents: Literal["IEEE", "CIGRE"] = key(
        "Distribution of the peak currents of first strokes", "IEEE"
    )
    assume_missing_soil: bool = key(
        "Where a tower has no soil resistivity, take 20 m times its footing resistance", True
    )
    shielding_failures_per_100_km_year: float = key(
        "Trip-outs by strokes that miss the shield wire, which earthing does not change", 0.0, ge=0, le=1000
    )
    trip_outs_per_flashover: float = key("Share of the flashovers that trip the line", 1.0, gt=0, le=1)


_USUAL = named(DEFAULT)[0]


class Limits(Settings):
    """Footing impedance: target (good) and limit (acceptable)."""

    rules: str = key("A shipped set of rules, or a table of the line folder (name.csv)", DEFAULT)
    target_ohm: float = key(
        "Good up to this value, in place of the rules [Ω]", _USUAL.target_ohm, ge=LEAST_OHM, le=MOST_OHM
    )
    limit_ohm: float = key(
        "Acceptable up to this value, in place of the rules [Ω]", _USUAL.limit_ohm, ge=LEAST_OHM, le=MOST_OHM
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

    gain_percent: float = key("[%]", number("coil_gain_percent"), ge=0, le=50)
    offset_ma: float = key("[mA]", number("coil_offset_ma"), ge=0, le=1e6)
    step_ma: float = key("Step of the display [mA]", number("coil_step_ma"), ge=0, le=1e6)
    shared_total: bool = key("The total is formed from the same coils as the legs", False)


class Retest(Settings):
    """How long a test stays valid."""

    normal_years: float = key("For most towers [years]", number("retest_normal_years"), gt=0, le=100)
    close_years: float = key(
        "Above the limit, or where people often are [years]", number("retest_close_years"), gt=0, le=100
    )


class Seasons(Settings):
    """Seasonal ratios of footings, 1 or more; monthly readings of control towers give better values."""

    ratio_low: float = key("Dry over wet soil, low end", number("season_ratio_low"), ge=1, le=1000)
    ratio_high: float = key("Dry over wet soil, high end", number("season_ratio_high"), ge=1, le=1000)
    ring_ratio_high: float = key(
        "The same high end where a ring or counterpoise joins the legs",
        number("season_ring_ratio_high"),
        ge=1,
        le=1000,
    )
    frozen_ratio: float = key("Frozen over thawed soil", number("frozen_ratio"), ge=1, le=1000)
    frozen_ring_ratio: float = key(
        "The same where a ring or counterpoise joins the legs", number("frozen_ring_ratio"), ge=1, le=1000
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for name in ("ratio_high", "ring_ratio_high"):
            if self.ratio_low > getattr(self, name):
                raise ValueError(f"ratio_low {self.ratio_low:g} lies above {name} {getattr(self, name):g}")
        return self


class Comparable(Settings):
    """How similar the set-up of two readings must be for a comparison over time."""

    frequency_percent: float = key("Test frequencies [%]", number("alike_frequency_percent"), ge=0, le=1e4)
    distance_percent: float = key("Probe distances [%]", number("alike_distance_percent"), ge=0, le=1e4)
    bearing_deg: float = key("Probe directions [degrees]", number("alike_bearing_deg"), ge=0, le=180)
    blank_agrees: bool = key(
        "Treat a set-up that neither visit recorded as the same; else such readings are not compared", False
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

    budget: float | None = key("Budget for all years of the plan", None, ge=0, le=1e15)
    currency: str = key("Currency of every price and cost", "")
    cost_per_trip_out: float | None = key("Cost of one trip-out", None, ge=0, le=1e15)
    years: int = key("Years of the plan", 1, ge=1, le=30)
    horizon_years: float = key(
        "Years over which avoided trip-outs count", number("plan_horizon_years"), gt=0, le=100
    )
    discount_rate: float = key("Discount rate per year", number("plan_discount_rate"), ge=0, lt=1)
    crew_weeks_per_year: float | None = key("Crew weeks available per year", None, gt=0, le=1e6)
    must_treat: tuple[str, ...] = key("Towers that are treated whatever the benefit", ())
    station_zone_km: float | None = key(
        "Towers within this distance of a station are treated together or not at all [km]", None, gt=0, le=1e4
    )
    order: ListOrder = key(
        "Order of the list: safety, certain damage, then expected benefit of the next step; or queue by queue",
        LIST_ORDERS[0],
    )
    queue_order: tuple[Queue, ...] = key('Order of the queues where order is "queues"', QUEUES)
    footing_order: FootingOrder = key(
        'Order within the footing queue where order is "queues"; where a measure is not available, the next one '
        "decides",
        FOOTING_ORDERS[0],
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

    window_ms: float = key(
        "A trip-out within this time of a flash [ms]…", number("flash_window_ms"), gt=0, le=3.6e6
    )
    distance_m: float = key(
        "…that struck within this distance of the line counts as lightning [m]",
        number("flash_distance_m"),
        gt=0,
        le=1e5,
    )
    storm_minutes: float = key(
        "A storm lasts this long before and after a flash [min]", number("storm_minutes"), gt=0, le=1440
    )
    lightning_causes: tuple[str, ...] = key("Words that mean lightning", ("lightning",))
    unknown_causes: tuple[str, ...] = key("Words that mean unknown", ("unknown",))
    locator_error_percent: float = key(
        "Standard error of a fault distance without a stated error, in percent of the line's length [%]",
        number("locator_error_percent"),
        gt=0,
        le=50,
    )
    corridor_m: float | None = key(
        "Flashes are counted within this distance on both sides [m]; else chosen from the list",
        None,
        gt=0,
        le=1e5,
    )
    detection_share: float | None = key(
        "Share of the ground flashes that the location system lists [1]", None, gt=0, le=1
    )
    outages_from: Day | None = key("First day that outages.csv covers", None)
    outages_to: Day | None = key("Last day that outages.csv covers", None)
    flashes_from: Day | None = key("First day that flashes.csv covers", None)
    flashes_to: Day | None = key("Last day that flashes.csv covers", None)

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

    standard: Literal["EN 50522:2022", "EN 50522:2010", "IEEE 80"] = key(
        "Where the permissible touch voltage comes from", "EN 50522:2022"
    )
    body_kg: Literal[50, 70] = key("Body weight, for IEEE 80 only [kg]", 50)
    occupancy: Literal["bare feet", "frequented", "accessible", "remote"] | None = key(
        "Who comes near a tower without an entry in the register", None
    )
    footwear_ohm: float | None = key(
        "Resistance of both shoes together, for EN 50522 where people wear them [Ω]", None, ge=0, le=1e7
    )
    surface_ohm_m: float | None = key(
        "Ground under the feet; else the tower's own soil [Ω·m]", None, gt=0, le=1e8
    )
    surface_depth_m: float | None = key(
        "Thickness of a laid surface layer, for IEEE 80 only [m]", None, gt=0, le=100
    )
    touch_fraction_low: float | None = key(
        "Smallest share of the earth-fault potential rise within reach; else by kind of footing [1]",
        None,
        gt=0,
        le=1,
    )
    touch_fraction_high: float | None = key(
        "Largest share of the earth-fault potential rise within reach; else by kind of footing [1]",
        None,
        gt=0,
        le=1,
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

    option: str = key("Name, as plans and work orders show it", min_length=1)
    kind: KINDS | None = key("Kind; needed for a name that is not shipped", None)
    count: int | None = key("Rods or radials", None, ge=1, le=16)
    length_m: float | None = key("Length of each [m]", None, gt=0, le=500)
    fill_mm: float | None = key("Diameter of conductive fill, 0 without [mm]", None, ge=0, le=2000)
    resistivity_min_ohm_m: float | None = key("Offered from this soil resistivity [Ω·m]", None, ge=0, le=1e8)
    life_years: float | None = key("Life [years]", None, gt=0, le=100)
    purse: Literal["maintenance", "capital"] | None = key("Who pays", None)
    verify: str | None = key("How success is verified", None)


class CrewRates(Settings):
    """Output of one crew in a day."""

    trench_m_soft: float = key("Trench, soft ground [m]", number("crew_trench_m_soft"), gt=0, le=1e6)
    trench_m_ordinary: float = key(
        "Trench, ordinary ground [m]", number("crew_trench_m_ordinary"), gt=0, le=1e6
    )
    trench_m_stony: float = key("Trench, stony ground [m]", number("crew_trench_m_stony"), gt=0, le=1e6)
    trench_m_rock: float = key("Trench, rock [m]", number("crew_trench_m_rock"), gt=0, le=1e6)
    rod_m: float = key("Rods driven [m]", number("crew_rod_m"), gt=0, le=1e6)
    drilled_m: float = key("Holes drilled [m]", number("crew_drilled_m"), gt=0, le=1e6)
    fill_m: float = key("Fill laid [m]", number("crew_fill_m"), gt=0, le=1e6)
    pieces: float = key("Leads or bonds renewed", number("crew_pieces"), gt=0, le=1e6)
    arrester_sets: float = key("Arrester sets installed", number("crew_arrester_sets"), gt=0, le=1e6)
    underbuilt_m: float = key("Under-built wire strung [m]", number("crew_underbuilt_m"), gt=0, le=1e6)
    retests: float = key("Towers tested", number("crew_retests"), gt=0, le=1e6)
    days_per_week: float = key("Working days per week", number("crew_days_per_week"), gt=0, le=7)


class Treatments(Settings):
    """Treatments on offer, and their construction."""

    off: tuple[str, ...] = key("Shipped treatments that are not offered", ())
    own: tuple[OwnTreatment, ...] = key("Treatments changed or added, one entry per treatment", ())
    wire_mm: float = key("Diameter of wire [mm]", number("treatment_wire_mm"), ge=1, le=100)
    rod_mm: float = key("Diameter of rods [mm]", number("treatment_rod_mm"), ge=5, le=300)
    trench_depth_m: float = key(
        "Depth of trenches and of rod tops [m]", number("treatment_trench_m"), gt=0, le=5
    )
    rods_outside_m: float = key(
        "Distance of rods outside the legs [m]", number("treatment_rods_outside_m"), gt=0, le=50
    )
    ring_outside_m: float = key(
        "Distance of a ring outside the legs [m]", number("treatment_ring_outside_m"), gt=0, le=50
    )
    fill_ohm_m: float = key("Resistivity of fill [Ω·m]", number("treatment_fill_ohm_m"), gt=0, le=1e8)
    space_m: float | None = key(
        "Longest radial for which there is room [m]; else the usual length", None, gt=0, le=1e4
    )
    learn: bool = key("Correct predictions by the results of earlier works", True)
    crew: CrewRates = CrewRates()

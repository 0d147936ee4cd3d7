"""How readings are judged: limits, coils, how long a test holds."""

from pathlib import Path

from pydantic import Field, field_validator, model_validator

from towerlib.errors import SettingsError
from towerlib.limits.rules import DEFAULT, LEAST_OHM, MOST_OHM, is_table, named
from towerlib.line.base import Settings
from towerlib.values import number

_USUAL = named(DEFAULT)[0]


class Limits(Settings):
    """Footing impedance: what is good, and what is still acceptable."""

    rules: str = Field(
        DEFAULT, description="A shipped set of rules, or a table of the line folder (name.csv)"
    )
    target_ohm: float = Field(
        _USUAL.target_ohm,
        ge=LEAST_OHM,
        le=MOST_OHM,
        description="Good up to this, whatever the rules say [Ω]",
    )
    limit_ohm: float = Field(
        _USUAL.limit_ohm,
        ge=LEAST_OHM,
        le=MOST_OHM,
        description="Acceptable up to this, whatever the rules say [Ω]",
    )

    @field_validator("rules")
    @classmethod
    def _known(cls, name):
        if is_table(name) and Path(name).name != name:
            raise ValueError("name a file in the line folder itself")
        try:
            return name if is_table(name) else named(name)[0].rule_set
        except SettingsError as flaw:
            raise ValueError(str(flaw)) from None

    @model_validator(mode="after")
    def _in_order(self):
        # With another set the rules give the figure that is not set here: limits.apply compares those.
        both = {"target_ohm", "limit_ohm"} <= self.model_fields_set
        if (both or self.rules == DEFAULT) and self.target_ohm > self.limit_ohm:
            raise ValueError(f"target_ohm {self.target_ohm:g} lies above limit_ohm {self.limit_ohm:g}")
        return self


class Coils(Settings):
    """What the current coils promise: a reading is off by at most gain_percent of itself plus offset_ma."""

    gain_percent: float = Field(number("coil_gain_percent"), ge=0, le=50, description="[%]")
    offset_ma: float = Field(number("coil_offset_ma"), ge=0, le=1e6, description="[mA]")
    step_ma: float = Field(number("coil_step_ma"), ge=0, le=1e6, description="Step of the display [mA]")
    shared_total: bool = Field(False, description="The total is formed from the same coils as the legs")


class Retest(Settings):
    """How long a test holds."""

    normal_years: float = Field(
        number("retest_normal_years"), gt=0, le=100, description="For most towers [years]"
    )
    close_years: float = Field(
        number("retest_close_years"),
        gt=0,
        le=100,
        description="Above the limit, or where people are often [years]",
    )


class Seasons(Settings):
    """Ratios of a footing between seasons, 1 or more; control towers read monthly give better ones."""

    ratio_low: float = Field(
        number("season_ratio_low"), ge=1, le=1000, description="Dry over wet soil, low end"
    )
    ratio_high: float = Field(
        number("season_ratio_high"), ge=1, le=1000, description="Dry over wet soil, high end"
    )
    ring_ratio_high: float = Field(
        number("season_ring_ratio_high"),
        ge=1,
        le=1000,
        description="The same high end where a ring or counterpoise joins the legs",
    )
    frozen_ratio: float = Field(number("frozen_ratio"), ge=1, le=1000, description="Frozen over thawed soil")
    frozen_ring_ratio: float = Field(
        number("frozen_ring_ratio"),
        ge=1,
        le=1000,
        description="The same where a ring or counterpoise joins the legs",
    )

    @model_validator(mode="after")
    def _in_order(self):
        for name in ("ratio_high", "ring_ratio_high"):
            if self.ratio_low > getattr(self, name):
                raise ValueError(f"ratio_low {self.ratio_low:g} lies above {name} {getattr(self, name):g}")
        return self


class Comparable(Settings):
    """How close two readings must be in what was set up, so that they may be compared over time."""

    frequency_percent: float = Field(
        number("alike_frequency_percent"), ge=0, le=1e4, description="Test frequencies [%]"
    )
    distance_percent: float = Field(
        number("alike_distance_percent"), ge=0, le=1e4, description="Probe distances [%]"
    )
    bearing_deg: float = Field(
        number("alike_bearing_deg"), ge=0, le=180, description="Probe directions [degrees]"
    )
    blank_agrees: bool = Field(
        False,
        description="Take a set-up that neither visit recorded for the same; else such readings are compared "
        "with none",
    )

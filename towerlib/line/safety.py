"""How touch voltage is judged: the standard, who stands there and on what."""

from typing import Literal

from pydantic import Field, model_validator

from towerlib.line.base import Settings

OFTEN_VISITED = ("bare feet", "frequented")  # of the words for occupancy: people are often there


class Safety(Settings):
    """The touch-voltage screening: what is permissible, and what share of the rise people can meet."""

    standard: Literal["EN 50522:2022", "EN 50522:2010", "IEEE 80"] = Field(
        "EN 50522:2022", description="Where the permissible touch voltage comes from"
    )
    body_kg: Literal[50, 70] = Field(50, description="Body weight, for IEEE 80 alone [kg]")
    occupancy: Literal["bare feet", "frequented", "accessible", "remote"] | None = Field(
        None, description="Who comes near a tower whose register says nothing"
    )
    footwear_ohm: float | None = Field(
        None, ge=0, le=1e7, description="Both shoes together, for EN 50522 where people wear them [Ω]"
    )
    surface_ohm_m: float | None = Field(
        None, gt=0, le=1e8, description="Ground under the feet; else the tower's own soil [Ω·m]"
    )
    surface_depth_m: float | None = Field(
        None, gt=0, le=100, description="Thickness of a laid surface layer, for IEEE 80 alone [m]"
    )
    touch_fraction_low: float | None = Field(
        None, gt=0, le=1, description="Least share of the rise within reach; else by kind of footing [1]"
    )
    touch_fraction_high: float | None = Field(
        None, gt=0, le=1, description="Greatest share of the rise within reach; else by kind of footing [1]"
    )

    @model_validator(mode="after")
    def _in_order(self):
        low, high = self.touch_fraction_low, self.touch_fraction_high
        if (low is None) != (high is None):
            raise ValueError("give both touch_fraction_low and touch_fraction_high, or neither")
        if low is not None and low > high:
            raise ValueError(f"touch_fraction_low {low:g} lies above touch_fraction_high {high:g}")
        if self.surface_depth_m is not None and self.surface_ohm_m is None:
            raise ValueError("surface_depth_m needs surface_ohm_m, the resistivity of the layer")
        if self.surface_depth_m is not None and self.standard != "IEEE 80":
            raise ValueError(f"surface_depth_m counts by IEEE 80 alone, and the standard is {self.standard}")
        return self

"""How trip-outs are held against located flashes, and which years both lists cover."""

from datetime import date
from typing import Annotated

from pydantic import Field, model_validator

from towerlib.line.base import Settings
from towerlib.values import number

Day = Annotated[date, Field(ge=date(1900, 1, 1), le=date(2200, 12, 31))]


class OutageRecord(Settings):
    """Which trip-outs were lightning, and which years the lists of trip-outs and flashes cover."""

    window_ms: float = Field(
        number("flash_window_ms"),
        gt=0,
        le=3.6e6,
        description="A trip-out this close in time to a flash [ms]…",
    )
    distance_m: float = Field(
        number("flash_distance_m"),
        gt=0,
        le=1e5,
        description="…that fell this close to the line was lightning [m]",
    )
    storm_minutes: float = Field(
        number("storm_minutes"),
        gt=0,
        le=1440,
        description="A storm is on so long before and after a flash [min]",
    )
    lightning_causes: tuple[str, ...] = Field(("lightning",), description="Words that mean lightning")
    unknown_causes: tuple[str, ...] = Field(("unknown",), description="Words that mean nobody knows")
    locator_error_percent: float = Field(
        number("locator_error_percent"),
        gt=0,
        le=50,
        description="Standard error of a fault distance that states none, of the line's length [%]",
    )
    corridor_m: float | None = Field(
        None,
        gt=0,
        le=1e5,
        description="Flashes are counted so far to both sides [m]; else chosen from the list",
    )
    detection_share: float | None = Field(
        None, gt=0, le=1, description="Share of the ground flashes that the location system lists [1]"
    )
    outages_from: Day | None = Field(None, description="First day that outages.csv covers")
    outages_to: Day | None = Field(None, description="Last day that outages.csv covers")
    flashes_from: Day | None = Field(None, description="First day that flashes.csv covers")
    flashes_to: Day | None = Field(None, description="Last day that flashes.csv covers")

    @model_validator(mode="after")
    def _in_order(self):
        for name in ("outages", "flashes"):
            first, last = getattr(self, f"{name}_from"), getattr(self, f"{name}_to")
            if first and last and first > last:
                raise ValueError(f"{name}_from {first} lies after {name}_to {last}")
        return self

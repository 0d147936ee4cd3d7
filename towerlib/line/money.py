"""The money and the time of the remediation plan, and the order of the priority list."""

from typing import Literal

from pydantic import Field, field_validator

from towerlib.line.base import Settings
from towerlib.values import number

QUEUES = ("safety", "repair", "bond", "footing", "retest", "none")
FOOTING_ORDERS = ("benefit per cost", "avoided trip-outs", "impedance")


class Plan(Settings):
    """The money and the time of the remediation plan."""

    budget: float | None = Field(None, ge=0, le=1e15, description="Money for all years of the plan")
    currency: str = Field("", description="Currency of every price and cost")
    cost_per_trip_out: float | None = Field(None, ge=0, le=1e15, description="What one trip-out costs")
    years: int = Field(1, ge=1, le=30, description="Years of the plan")
    horizon_years: float = Field(
        number("plan_horizon_years"), gt=0, le=100, description="Years over which avoided trip-outs count"
    )
    discount_rate: float = Field(
        number("plan_discount_rate"), ge=0, lt=1, description="By which a later year counts less, a year"
    )
    crew_weeks_per_year: float | None = Field(
        None, gt=0, le=1e6, description="Work that the crews can do in a year"
    )
    must_treat: tuple[str, ...] = Field((), description="Towers whose treatment is owed whatever it brings")
    station_zone_km: float | None = Field(
        None,
        gt=0,
        le=1e4,
        description="Towers up to so far from a station are treated together or not at all [km]",
    )
    queue_order: tuple[Literal[QUEUES], ...] = Field(QUEUES, description="Order of the queues in the list")
    footing_order: Literal[FOOTING_ORDERS] = Field(
        FOOTING_ORDERS[0], description="Order within the footing queue; what is not known falls to the next"
    )

    @field_validator("queue_order")
    @classmethod
    def _every_queue_once(cls, order):
        if sorted(order) != sorted(QUEUES):
            raise ValueError(f"each of {', '.join(QUEUES)} stands in it once")
        return order

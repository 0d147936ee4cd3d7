"""The money and the time of the remediation plan."""

from pydantic import Field

from towerlib.line.base import Settings


class Plan(Settings):
    """The money and the time of the remediation plan."""

    budget: float | None = Field(None, ge=0, description="Money for all years of the plan")
    currency: str = Field("", description="Currency of every price and cost")
    cost_per_trip_out: float | None = Field(None, ge=0, description="What one trip-out costs")
    years: int = Field(1, ge=1, le=30, description="Years of the plan")

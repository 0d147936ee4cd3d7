"""The form of every part of ``line.toml``."""

from pydantic import BaseModel, ConfigDict


class Settings(BaseModel):
    """A part of ``line.toml``: unknown keys are refused, nothing can be changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

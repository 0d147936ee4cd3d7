"""A line's settings: ``line.toml`` read into one frozen, checked object."""

import difflib
import re
import tomllib
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from towerlib.errors import SettingsError
from towerlib.limits.rules import DEFAULT, is_table, named
from towerlib.values import number


class Settings(BaseModel):
    """A part of ``line.toml``: unknown keys are refused, nothing can be changed afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Station(Settings):
    """One end of the line."""

    name: str = Field("", description="Name shown on maps and pages")
    earth_ohm: float | None = Field(None, gt=0, description="Resistance to earth of the station [Ω]")
    latitude_deg: float | None = Field(None, ge=-90, le=90, description="Position, WGS 84 [deg]")
    longitude_deg: float | None = Field(None, ge=-180, le=180, description="Position, WGS 84 [deg]")


class Stations(Settings):
    """Both ends of the line."""

    first: Station = Field(Station(), description="Where chainage starts")
    last: Station = Field(Station(), description="Where chainage ends")


class ShieldWire(Settings):
    """One shield wire at the tower."""

    x_m: float = Field(description="Distance from the tower axis [m]")
    y_m: float = Field(gt=0, description="Height at the tower [m]")
    sag_m: float = Field(0, ge=0, description="Sag at mid-span [m]")
    radius_mm: float = Field(gt=0, description="Radius [mm]")
    gmr_mm: float = Field(gt=0, description="Geometric mean radius [mm]")
    r_ohm_km: float = Field(gt=0, description="Resistance at the line's frequency [Ω/km]")


class ShieldWires(Settings):
    """All shield wires."""

    wires: tuple[ShieldWire, ...] = Field((), description="One entry a wire")


class Tower(Settings):
    """The line's usual tower; a tower's own columns go before it."""

    height_m: float | None = Field(None, gt=0, description="Height [m]")
    surge_impedance_ohm: float | None = Field(None, gt=0, description="Surge impedance [Ω]")
    top_radius_m: float | None = Field(None, gt=0, description="Radius at the top [m]")
    waist_radius_m: float | None = Field(None, gt=0, description="Radius at the waist [m]")
    waist_height_m: float | None = Field(None, gt=0, description="Height of the waist [m]")
    base_radius_m: float | None = Field(None, gt=0, description="Radius at the base [m]")


class Conductor(Settings):
    """One phase conductor of one circuit, at the tower."""

    circuit: int = Field(1, ge=1, description="Circuit number")
    phase: Literal["a", "b", "c"] = Field(description="Phase")
    x_m: float = Field(description="Distance from the tower axis [m]")
    y_m: float = Field(gt=0, description="Height at the tower [m]")
    crossarm_y_m: float | None = Field(None, gt=0, description="Height of the crossarm [m]")


class Phases(Settings):
    """Every conductor of every circuit."""

    sag_m: float = Field(0, ge=0, description="Sag at mid-span [m]")
    strike_length_m: float | None = Field(
        None, gt=0, description="Shortest path in air across the insulator [m]"
    )
    conductors: tuple[Conductor, ...] = Field((), description="One entry a conductor")


class EarthFault(Settings):
    """Earth-fault current from both ends, and how long it flows."""

    from_first_a: float | None = Field(None, ge=0, description="Current from the first station [A]")
    from_last_a: float | None = Field(None, ge=0, description="Current from the last station [A]")
    clearing_s: float | None = Field(None, gt=0, description="Clearing time [s]")


class Lightning(Settings):
    """How often lightning strikes the ground along the line."""

    ground_flash_density: float | None = Field(None, ge=0, description="Flashes per km² and year")
    source: str = Field("", description="Where the figure comes from")


class Limits(Settings):
    """Footing impedance: what is good, and what is still acceptable."""

    rules: str = Field(
        DEFAULT, description="A shipped set of rules, or a table of the line folder (name.csv)"
    )
    target_ohm: float = Field(
        number("target_ohm"), gt=0, description="Good up to this, whatever the rules say [Ω]"
    )
    limit_ohm: float = Field(
        number("limit_ohm"), gt=0, description="Acceptable up to this, whatever the rules say [Ω]"
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
    offset_ma: float = Field(number("coil_offset_ma"), ge=0, description="[mA]")
    step_ma: float = Field(number("coil_step_ma"), ge=0, description="Step of the display [mA]")
    shared_total: bool = Field(False, description="The total is formed from the same coils as the legs")


class Retest(Settings):
    """How long a test holds."""

    normal_years: float = Field(number("retest_normal_years"), gt=0, description="For most towers [years]")
    close_years: float = Field(
        number("retest_close_years"), gt=0, description="Above the limit, or where people are often [years]"
    )


class Plan(Settings):
    """The money and the time of the remediation plan."""

    budget: float | None = Field(None, ge=0, description="Money for all years of the plan")
    currency: str = Field("", description="Currency of every price and cost")
    cost_per_trip_out: float | None = Field(None, ge=0, description="What one trip-out costs")
    years: int = Field(1, ge=1, le=30, description="Years of the plan")


class Line(Settings):
    """All settings of one line."""

    id: str = Field(description="Names the report folder: letters, digits, '-' and '_'")
    name: str = Field("", description="Name shown on pages; the id when blank")
    voltage_kv: float = Field(gt=0, description="Nominal voltage [kV]")
    frequency_hz: float = Field(gt=0, description="Frequency of the network [Hz]")
    crs: str | None = Field(
        None, description="Projected coordinate system; chosen from the positions when missing"
    )
    stations: Stations = Stations()
    shield_wires: ShieldWires = ShieldWires()
    tower: Tower = Tower()
    phases: Phases = Phases()
    earth_fault: EarthFault = EarthFault()
    lightning: Lightning = Lightning()
    limits: Limits = Limits()
    coils: Coils = Coils()
    retest: Retest = Retest()
    plan: Plan = Plan()
    quality: dict[str, dict[str, float | str]] = Field(
        {}, description="A quality rule to its threshold and severity, where the shipped ones do not fit"
    )
    columns: dict[str, str | dict[str, str]] = Field(
        {},
        description="A crew's own headers: header to column, for all files or under a pattern of file names",
    )

    @field_validator("id")
    @classmethod
    def _names_a_folder(cls, text):
        if not re.fullmatch(r"[A-Za-z0-9_-]{1,80}", text):
            raise ValueError("only letters, digits, '-' and '_' can name the report folder")
        return text

    @property
    def title(self):
        """The line's name, or its id where no name is given."""
        return self.name or self.id


HEAD = ("id", "name", "voltage_kv", "frequency_hz", "crs")  # these stand under [line] in the file


def read(path):
    """The settings in one ``line.toml``.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    Line
        Checked, with every default filled in.

    Raises
    ------
    SettingsError
        The file is missing or is no TOML, a key is unknown, or a value is out of its range.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(f"{path} is missing: a line folder needs it to say which line this is") from None
    except (OSError, UnicodeDecodeError) as flaw:
        raise SettingsError(f"{path} cannot be read: {flaw}; save it as UTF-8 text") from None
    return parse(text, path)


def parse(text, path="line.toml"):
    """The settings in the text of a ``line.toml``.

    Parameters
    ----------
    text : str
        TOML.
    path : path or str
        Named in error messages.

    Returns
    -------
    Line

    Raises
    ------
    SettingsError
        As for `read`; the message names the first flaw, its place and the nearest right key.

    Examples
    --------
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> line.title, line.limits.limit_ohm
    ('north-ridge', 15.0)
    """
    try:
        sections = tomllib.loads(text)
    except tomllib.TOMLDecodeError as flaw:
        raise SettingsError(f"{path} is not valid TOML: {flaw}") from None
    head = sections.pop("line", {})
    if not isinstance(head, dict):
        raise SettingsError(f"{path}: [line] must be a section with id, voltage_kv and frequency_hz")
    for key in [*sections, *head]:
        allowed = HEAD if key in head else [name for name in Line.model_fields if name not in HEAD]
        if key not in allowed:
            place = "in [line]" if key in head else "at the top level"
            raise SettingsError(f"{path}: {key!r} is not known {place}{_nearest(key, allowed)}")
    try:
        return Line.model_validate(head | sections)
    except ValidationError as flaws:
        raise SettingsError(f"{path}: {_sentence(flaws.errors()[0])}") from None


def _sentence(flaw):
    """One validation error as one sentence with place, value and mend."""
    *place, key = flaw["loc"] or ("",)
    where = "[line]" if key in HEAD and not place else f"[{_place(place or [key])}]"
    if flaw["type"] == "extra_forbidden":
        return f"{key!r} is not known in {where}{_nearest(key, _keys(place))}"
    if flaw["type"] == "missing":
        return f"{key!r} is missing in {where}"
    reason = flaw["msg"].removeprefix("Value error, ")
    if isinstance(flaw["input"], dict):  # the section as a whole, not one of its keys
        return f"[{_place([*place, key])}]: {reason}"
    return f"{key} = {flaw['input']!r} in {where}: {reason[0].lower()}{reason[1:]}"


def _place(steps):
    """Where in the file: entries of a list are counted from 1, as people do."""
    return ".".join(f"entry {step + 1}" if isinstance(step, int) else step for step in steps)


def _keys(place):
    """The keys that are allowed at a place inside the settings."""
    model = Line
    for step in place:
        if isinstance(step, int):
            continue
        kind = model.model_fields[step].annotation
        model = kind.__args__[0] if hasattr(kind, "__args__") else kind
    return list(model.model_fields)


def _nearest(key, allowed):
    """A hint at the key that was probably meant."""
    near = difflib.get_close_matches(str(key), allowed, n=1, cutoff=0.5)
    return f"; did you mean {near[0]!r}?" if near else f"; known are {', '.join(allowed)}"

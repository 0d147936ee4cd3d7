"""A line's settings: ``line.toml`` read into one frozen, checked object."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast, get_args

from pydantic import BaseModel, Field, PrivateAttr, ValidationError, field_validator

from towerlib import safe_files
from towerlib.config.sections import (
    Coils,
    Comparable,
    EarthFault,
    Lightning,
    Limits,
    OutageRecord,
    Phases,
    Plan,
    Retest,
    Safety,
    Seasons,
    Settings,
    ShieldWires,
    Stations,
    Tower,
    Treatments,
)
from towerlib.errors import MOST_LISTED, RecordsError, SettingsError, nearest
from towerlib.months import MONTH
from towerlib.text import listed

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

Columns = dict[str, str | dict[str, str]]  # header to column, or file pattern to such a table


class Line(Settings):
    """All settings of one line."""

    id: str = Field(description="Names the report folder: letters, digits, '-' and '_'")
    name: str = Field(default="", description="Name shown on pages; the id when blank")
    voltage_kv: float = Field(gt=0, le=2000, description="Nominal voltage [kV]")
    frequency_hz: float = Field(gt=0, le=1000, description="Frequency of the network [Hz]")
    crs: str | None = Field(
        default=None, description="Projected coordinate system; chosen from the positions when missing"
    )
    stations: Stations = Stations()
    shield_wires: ShieldWires = ShieldWires()
    tower: Tower = Tower()
    phases: Phases = Phases()
    earth_fault: EarthFault = EarthFault()
    safety: Safety = Safety()
    lightning: Lightning = Lightning()
    outage_record: OutageRecord = OutageRecord()
    limits: Limits = Limits()
    coils: Coils = Coils()
    seasons: Seasons = Seasons()
    comparable: Comparable = Comparable()
    retest: Retest = Retest()
    treatments: Treatments = Treatments()
    plan: Plan = Plan()
    quality: dict[str, dict[str, float | str]] = Field(
        default={},
        description="A quality rule to its threshold and severity, where the shipped ones do not fit",
    )
    columns: Columns = Field(
        default={},
        description="A crew's own headers: header to column, for all files or under a pattern of file names",
    )

    @field_validator("id")
    @classmethod
    def _names_a_folder(cls, text: str) -> str:
        if not re.fullmatch(r"[A-Za-z0-9_-]{1,80}", text):
            raise ValueError("only letters, digits, '-' and '_' can name the report folder")
        if MONTH.fullmatch(text):
            raise ValueError(
                "it reads like a month, and reports of all lines go to a folder of that name; choose another id"
            )
        return text

    @field_validator("crs")
    @classmethod
    def _reads_no_file(cls, text: str | None) -> str | None:
        # a system may name tables of shifts or definitions, which the library would open wherever they are
        if text and re.search(r"init\s*=|grids|file", text, re.IGNORECASE):
            raise ValueError('names a file, which is not read; write a code, such as "EPSG:32736"')
        return text

    # Settings of the file, where these were changed for one study. A number must not claim to come from a file that
    # does not hold it.
    _filed: Line | None = PrivateAttr(default=None)

    def __eq__(self, other: object) -> bool:
        """Whether every setting is the same, wherever it comes from."""
        return isinstance(other, Line) and self.model_dump() == other.model_dump()

    @property
    def replaced(self) -> dict[str, Any]:
        """Settings that were changed for one study, ``section.key`` to value; a key of ``[line]`` has no section."""
        if self._filed is None:
            return {}
        found = {}
        for name in type(self).model_fields:
            mine, filed = getattr(self, name), getattr(self._filed, name)
            if not isinstance(mine, Settings):
                found |= {name: mine} if mine != filed else {}
                continue
            # a default that is now set counts too: it is no longer the program's
            fresh = mine.model_fields_set - filed.model_fields_set
            keys = type(mine).model_fields
            changed = [key for key in keys if key in fresh or getattr(mine, key) != getattr(filed, key)]
            found |= {f"{name}.{key}": getattr(mine, key) for key in changed}
        return found

    @property
    def title(self) -> str:
        """The line's name, or its id where no name is given."""
        return self.name or self.id


HEAD = ("id", "name", "voltage_kv", "frequency_hz", "crs")  # these are under [line] in the file


def read(path: Path) -> Line:
    """The settings in one ``line.toml``, checked, with every default filled in.

    Raises
    ------
    SettingsError
        The file is missing, not a plain file of its folder or not TOML; a key is unknown; a value is out of range.
    """
    try:
        read = safe_files.content(path, path.parent, safe_files.LARGEST_TEXT, may_be_empty=True)
        text = read.decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(_missing(path)) from None
    except RecordsError as flaw:
        raise SettingsError(f"{path} {flaw}") from None
    except (OSError, UnicodeDecodeError) as flaw:
        raise SettingsError(f"{path} cannot be read: {flaw}; save it as UTF-8 text") from None
    return parse(text, path)


def _missing(path: Path) -> str:
    """Why there are no settings: no folder, a folder of line folders, or a folder without them."""
    if not path.parent.is_dir():
        return f"there is no folder {path.parent}"
    inside = sorted(one.parent.name for one in path.parent.glob(f"*/{path.name}"))
    if inside:
        return f"{path.parent} is a folder of line folders, not a line folder; it holds {listed(inside, MOST_LISTED)}"
    return f"{path} is missing: every line folder needs it to describe the line"


def parse(text: str, path: str | Path = "line.toml") -> Line:
    """The settings in the text of a ``line.toml``; errors as for `read`, with `path` and the nearest known key."""
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
            raise SettingsError(f"{path}: {key!r} is not known {place}{nearest(key, allowed)}")
    try:
        return Line.model_validate(head | sections)
    except ValidationError as flaws:
        raise SettingsError(f"{path}: {_sentence(flaws.errors()[0])}") from None


def changed(line: Line, sections: Mapping[str, Any]) -> Line:
    """Settings with some sections changed: a section to its changed keys, or a key of ``[line]`` to its value.

    An unknown section or key, or a value out of range, raises `SettingsError`.
    """
    merged = line.model_dump(exclude_unset=True)
    for key, value in sections.items():
        if key not in Line.model_fields:
            raise SettingsError(f"{key!r} is not a section of line.toml{_section_of(key, value)}")
        if _is_section(key) and not isinstance(value, (Mapping, Settings)):
            example = next(iter(_keys([key])))
            raise SettingsError(
                f"[{key}] is a section: write {key}={{{example!r}: value}}, not {key}={value!r}"
            )
        both = isinstance(value, Mapping) and isinstance(merged.get(key, {}), Mapping)
        merged[key] = {**merged.get(key, {}), **value} if both else value
    try:
        found = Line.model_validate(merged)
    except ValidationError as flaws:
        raise SettingsError(f"settings: {_sentence(flaws.errors()[0])}") from None
    found._filed = line._filed or line
    return found


def _is_section(key: str) -> bool:
    """Whether a key of the settings is a section of ``line.toml`` with keys of its own."""
    kind = Line.model_fields[key].annotation
    return isinstance(kind, type) and issubclass(kind, Settings)


def _section_of(key: str, value: object) -> str:
    """A hint at the section that has a key of this name, else at the section that was meant."""
    homes = [name for name in Line.model_fields if _is_section(name) and key in _keys([name])]
    if homes:
        ways = " or ".join(f"{home}={{{key!r}: {value!r}}}" for home in homes)
        return f"; it is a key of {' and '.join(f'[{home}]' for home in homes)}: write {ways}"
    return nearest(key, Line.model_fields)


def _sentence(flaw: ErrorDetails) -> str:
    """One validation error as one sentence with place, value and mend."""
    *place, key = flaw["loc"] or ("",)
    where = "[line]" if key in HEAD and not place else f"[{_place(place or [key])}]"
    if flaw["type"] == "extra_forbidden":
        return f"{key!r} is not known in {where}{nearest(key, _keys(place))}"
    if flaw["type"] == "missing":
        return f"{key!r} is missing in {where}"
    reason = _reason(flaw)
    if isinstance(flaw["input"], dict):  # the section as a whole, not one of its keys
        return f"[{_place([*place, key])}]: {reason}"
    if isinstance(key, int):  # an entry of a list
        return f"{flaw['input']!r} in [{_place([*place, key])}]: {reason[0].lower()}{reason[1:]}"
    return f"{key} = {flaw['input']!r} in {where}: {reason[0].lower()}{reason[1:]}"


def _reason(flaw: ErrorDetails) -> str:
    """Why a value is not accepted, in words that need no knowledge of the program."""
    if flaw["type"] == "tuple_type":
        return 'write a list in square brackets, such as ["a", "b"]'
    if flaw["type"].startswith("date"):
        return "write a day as YYYY-MM-DD, without quotation marks"
    return flaw["msg"].removeprefix("Value error, ")


def _place(steps: Sequence[str | int]) -> str:
    """The place in the file; entries of a list are counted from 1."""
    return ".".join(f"entry {step + 1}" if isinstance(step, int) else step for step in steps)


def _keys(place: Sequence[str | int]) -> list[str]:
    """The keys that are allowed at a place inside the settings."""
    model: type[BaseModel] = Line
    for step in place:
        if isinstance(step, str):
            kind = model.model_fields[step].annotation
            model = cast("type[BaseModel]", next(iter(get_args(kind)), kind))
    return list(model.model_fields)

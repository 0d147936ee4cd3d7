"""The data dictionary: every table and column that a line folder may contain.

Checks, reading and documentation all come from here. A column that is not required may be missing or blank. A blank
means "not recorded", never zero.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pandera.pandas import Check, Column, DataFrameSchema

from towerlib.errors import RecordsError, nearest


def _column(
    kind: str,
    name: str,
    text: str,
    *,
    unit: str = "",
    required: bool = False,
    may_be_blank: bool = False,
    is_past: bool = False,
    checks: Iterable[Check] = (),
) -> Column:
    """One column; its metadata carries `kind`, `unit` and whether its day cannot lie in the future."""
    dtype: dict[str, Any] = {
        "number": float,
        "date": "datetime64[ns]",
        "instant": "datetime64[ns, UTC]",
        "yes/no": "boolean",
    }
    return Column(
        dtype.get(kind, str),
        checks=list(checks),
        nullable=may_be_blank or not required,
        required=required,
        name=name,
        description=text,
        metadata={"kind": kind, "unit": unit, "is_past": is_past},
    )


def _text(name: str, text: str, **more: Any) -> Column:
    return _column("text", name, text, **more)


def _number(
    name: str,
    unit: str,
    text: str,
    low: float | None = None,
    high: float | None = None,
    *,
    above: float | None = None,
    required: bool = False,
) -> Column:
    checks = [
        check(limit)
        for check, limit in ((Check.ge, low), (Check.le, high), (Check.gt, above))
        if limit is not None
    ]
    return _column("number", name, text, unit=unit, required=required, checks=checks)


def _choice(name: str, options: tuple[str, ...], text: str, **more: Any) -> Column:
    return _column("choice", name, text, checks=[Check.isin(options)], **more)


def _yes_no(name: str, text: str) -> Column:
    return _column("yes/no", name, text)


def _schema(name: str, row: str, key: tuple[str, ...], *columns: Column) -> DataFrameSchema:
    """One table: the meaning of a row, and the columns that together name a row."""
    return DataFrameSchema(
        {str(column.name): column for column in columns},
        name=name,
        description=row,
        metadata={"key": key},
        strict=False,  # the utility's own columns are kept
    )


_TOWERS = _schema(
    "towers",
    "a tower of the register",
    ("tower_id",),
    _text("tower_id", "Name in the register: text, never a number", required=True),
    _number("latitude_deg", "deg", "WGS 84", -90, 90),
    _number("longitude_deg", "deg", "WGS 84", -180, 180),
    _number("easting_m", "m", "In the crs of line.toml, in place of latitude and longitude"),
    _number("northing_m", "m", "In the crs of line.toml, in place of latitude and longitude"),
    _number("sequence", "1", "Order from the first station; found from the positions when blank"),
    _choice("structure", ("lattice", "monopole", "portal", "guyed"), "Kind of tower"),
    _number("leg_count", "1", "Earthed legs", 1, 12),
    _number("leg_spacing_m", "m", "Distance between neighbouring legs", above=0, high=100),
    _number("height_m", "m", "Height", above=0, high=500),
    _yes_no(
        "earth_paths_in_coils",
        "Every path to earth, counterpoise tails and guys included, runs through a coil",
    ),
    _yes_no("ring", "A buried ring or counterpoise joins the legs"),
    _choice("shield_wire", ("bonded", "insulated", "none"), "State by design"),
    _number("soil_resistivity_ohm_m", "Ω·m", "Uniform soil", above=0, high=1e8),
    _number("upper_layer_ohm_m", "Ω·m", "Upper of two layers", above=0, high=1e8),
    _number("lower_layer_ohm_m", "Ω·m", "Lower of two layers", above=0, high=1e8),
    _number("layer_depth_m", "m", "Thickness of the upper layer", above=0, high=1e4),
    _choice("soil_class", ("soft", "ordinary", "stony", "rock"), "How hard it is to dig"),
    _choice("occupancy", ("bare feet", "frequented", "accessible", "remote"), "Who comes near the tower"),
    _choice("access", ("road", "track", "foot", "boat", "helicopter"), "How a crew gets there"),
    _text("access_group", "Towers that one mobilisation serves"),
    _number("ground_flash_density", "1/km²/year", "At this tower", 0, 200),
    _number("strike_length_m", "m", "Shortest path in air across the insulator", above=0, high=20),
)

_VISITS = _schema(
    "visits",
    "a test visit to a tower",
    ("visit_id",),
    _text("visit_id", "Names the visit in every table", required=True),
    _text("tower_id", "Tower of the register", required=True),
    _column("date", "date", "Day of the test", required=True, is_past=True),
    _text("crew", "Who tested"),
    _text("instrument_serial", "Serial number of the instrument"),
    _column("date", "calibration_due", "Day until which the calibration holds"),
    _yes_no("in_service", "The line was in service"),
    _choice("soil_state", ("dry", "normal", "wet", "frozen"), "Soil on the day"),
    _choice(
        "method",
        ("leg coils", "no coils", "shield wire lifted"),
        "leg coils: footing alone; no coils: footing in parallel with the shield wires, a lower limit only; "
        "shield wire lifted: footing alone",
        required=True,
        may_be_blank=True,  # such a visit is kept and graded: its leakage currents still count
    ),
    _number("test_frequency_hz", "Hz", "Of the injected current", above=0, high=1e6),
    _number("test_voltage_v", "V", "Of the source", 0, 1e5),
    _number("impedance_ohm", "Ω", "By that method", 0, 1e6),
    _number(
        "impedance_no_coils_ohm", "Ω", "Second reading of a leg coils visit, taken without coils", 0, 1e6
    ),
    _number("injected_ma", "mA", "Injected current", 0, 1e6),
    _number("legs_ma", "mA", "Part of the injected current through the legs", 0, 1e6),
    _number("leakage_total_ma", "mA", "In service, all legs together: the vector sum", 0, 1e6),
    _number("interference_potential_probe_v", "V", "Tower to potential probe", 0, 1e5),
    _number("interference_current_probe_v", "V", "Tower to current probe", 0, 1e5),
    _number("interference_frequency_hz", "Hz", "Of the interference voltage", 0, 1e6),
    _number("potential_probe_ohm", "Ω", "Resistance to earth of the potential probe", 0, 1e7),
    _number("current_probe_ohm", "Ω", "Resistance to earth of the current probe", 0, 1e7),
    _number("potential_probe_distance_m", "m", "From the tower", 0, 1e4),
    _number("current_probe_distance_m", "m", "From the tower", 0, 1e4),
    _number("potential_probe_bearing_deg", "deg", "True north, clockwise", 0, 360),
    _number("current_probe_bearing_deg", "deg", "True north, clockwise", 0, 360),
    _number("coil_turns", "1", "Turns of the coil round the leg", above=0, high=100),
    _number("coil_turns_recorded", "1", "Turns that the record was scaled with", above=0, high=100),
    _number("current_scale_factor", "1", "Factor by which the current was scaled down", above=0, high=1e6),
    _yes_no("over_range", "The reading was beyond the range of the instrument"),
    _number("leads_missing", "1", "Earthing leads cut, stolen or absent", 0, 100),
    _choice("corrosion", ("none", "light", "heavy"), "As seen"),
    _choice("bond_seen", ("sound", "damaged", "missing", "not seen"), "Shield-wire bond as seen"),
    _text("photo", "File name"),
    _number("latitude_deg", "deg", "Where the crew stood, WGS 84", -90, 90),
    _number("longitude_deg", "deg", "Where the crew stood, WGS 84", -180, 180),
    _text("note", "Anything else"),
)

_LEGS = _schema(
    "legs",
    "a leg current reading of a visit",
    ("visit_id", "leg"),
    _text("visit_id", "Visit of the reading", required=True),
    _text("leg", "Name of the leg", required=True),
    _number("leakage_ma", "mA", "Leakage current of the leg", 0, 1e6, required=True),
    _number("impedance_ohm", "Ω", "Apparent, U/I of that leg", 0, 1e7),
    _number("coil_turns", "1", "Turns of the coil round this leg", above=0, high=100),
)

_SWEEPS = _schema(
    "sweeps",
    "one frequency of a visit's sweep",
    (),
    _text("visit_id", "Visit of the reading", required=True),
    _number("frequency_hz", "Hz", "Of the injected current", above=0, high=1e7, required=True),
    _number("impedance_ohm", "Ω", "Magnitude", 0, 1e7, required=True),
    _number("phase_deg", "deg", "Positive where inductive", -180, 180),
)

_SOIL = _schema(
    "soil",
    "one Wenner spacing at a tower",
    (),
    _text("tower_id", "Tower of the register", required=True),
    _column("date", "date", "Day of the test", is_past=True),
    _number("spacing_m", "m", "Between neighbouring pins", above=0, high=1e4, required=True),
    _number("resistance_ohm", "Ω", "Reading, not yet times 2π·spacing", above=0, high=1e6, required=True),
)

_OUTAGES = _schema(
    "outages",
    "a trip-out of the line",
    ("outage_id",),
    _text("outage_id", "Names the trip-out", required=True),
    _column("instant", "time", "ISO 8601 with zone", required=True, is_past=True),
    _text("cause", "lightning, unknown, or other text"),
    _text("tower_id", "Tower of the register"),
    _number("distance_km", "km", "From the first station", 0, 1e4),
    _number("distance_error_km", "km", "Standard error of the distance", 0, 1e4),
    _text("circuit", "Circuit that tripped"),
)

_FLASHES = _schema(
    "flashes",
    "a located lightning flash near the line",
    (),
    _column("instant", "time", "ISO 8601 with zone, to the millisecond", required=True, is_past=True),
    _number("latitude_deg", "deg", "WGS 84", -90, 90, required=True),
    _number("longitude_deg", "deg", "WGS 84", -180, 180, required=True),
    _number("peak_current_ka", "kA", "Signed", -1000, 1000),
    _number("semi_major_m", "m", "Of the location's error ellipse", 0, 1e5),
)

_WORKS = _schema(
    "works",
    "a completed treatment",
    (),
    _text("tower_id", "Tower of the register", required=True),
    _column("date", "date", "Day of completion", required=True, is_past=True),
    _text("treatment", "What was done", required=True),
    _number("quantity", "1", "In the treatment's own unit", 0),
    _number("cost", "money", "In the currency of line.toml", 0),
)

_PRICES = _schema(
    "prices",
    "a unit price (the user's own)",
    (),
    _text("item", "What is bought", required=True),
    _text("unit", "Of the price", required=True),
    _number("price", "money", "In the currency of line.toml", 0, required=True),
    _choice("soil_class", ("soft", "ordinary", "stony", "rock"), "Where the price depends on the soil"),
    _choice("access", ("road", "track", "foot", "boat", "helicopter"), "Where the price depends on access"),
    _number("price_low", "money", "Low end", 0),
    _number("price_high", "money", "High end", 0),
    _text("source", "Where the price comes from"),
    _number("year", "1", "Index year", 1900, 2200),
)

TABLES: dict[str, DataFrameSchema] = {
    str(schema.name): schema
    for schema in (_TOWERS, _VISITS, _LEGS, _SWEEPS, _SOIL, _OUTAGES, _FLASHES, _WORKS, _PRICES)
}
NEEDED = ("towers", "visits")  # without these two nothing can be ranked
SPLIT = ("visits", "legs", "sweeps")  # may come as many files, in a folder of that name


def schema(name: str) -> DataFrameSchema:
    """The schema of one table.

    Parameters
    ----------
    name : str
        Such as ``"visits"``.

    Returns
    -------
    pandera.DataFrameSchema
        With unit and kind of each column in its metadata.

    Raises
    ------
    RecordsError
        The dictionary has no such table.

    Examples
    --------
    >>> schema("legs").columns["leakage_ma"].metadata["unit"]
    'mA'
    """
    if name not in TABLES:
        raise RecordsError(f"{name!r} is not a table of a line folder{nearest(name, TABLES)}")
    return TABLES[name]


def about(part: Column | DataFrameSchema) -> dict[str, Any]:
    """The properties of a column or table that pandera has no field for.

    Parameters
    ----------
    part : pandera Column or DataFrameSchema

    Returns
    -------
    dict
        kind, unit and is_past of a column; key of a table.

    Examples
    --------
    >>> about(schema("legs").columns["leakage_ma"])["unit"]
    'mA'
    """
    return part.metadata or {}


def key(name: str) -> list[str]:
    """Columns that together name a row of a table; empty where rows have no name.

    Examples
    --------
    >>> key("legs"), key("soil")
    (['visit_id', 'leg'], [])
    """
    return list(about(schema(name))["key"])


def required(name: str) -> list[str]:
    """Columns without which a table cannot be read.

    Examples
    --------
    >>> required("legs")
    ['visit_id', 'leg', 'leakage_ma']
    """
    return [one for one, column in schema(name).columns.items() if column.required]


def document() -> str:
    """The data dictionary as Markdown, one section per table.

    Returns
    -------
    str

    Examples
    --------
    >>> print(document().splitlines()[0])
    ## towers: one row is a tower of the register
    """
    parts = []
    for name, table in TABLES.items():
        parts += [
            f"## {name}: one row is {table.description}",
            "",
            "| column | unit or kind | meaning |",
            "|---|---|---|",
        ]
        parts += [_document_row(one, column) for one, column in table.columns.items()]
        parts.append("")
    return "\n".join(parts)


def _document_row(name: str, column: Column) -> str:
    """One line of the documentation; a star marks a required column."""
    unit = about(column)["unit"] if about(column)["kind"] == "number" else about(column)["kind"]
    rules = [_rule(check) for check in column.checks] + ["not in the future"] * about(column)["is_past"]
    meaning = "; ".join([str(column.description), *rules])
    return f"| {'★ ' if column.required else ''}`{name}` | {unit} | {meaning} |"


def _rule(check: Check) -> str:
    """A check in words."""
    rule = check.statistics
    if "allowed_values" in rule:
        return "one of " + ", ".join(f"`{word}`" for word in rule["allowed_values"])
    sign = {"greater_than_or_equal_to": "≥", "less_than_or_equal_to": "≤", "greater_than": ">"}[check.name]
    return f"{sign} {next(iter(rule.values())):g}"

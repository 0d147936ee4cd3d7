"""What a crew writes down: every column of the records in words, in the order of the work."""

from dataclasses import dataclass

from towerlib.records.tables import schema

PREFILLED = ("visit_id", "tower_id")
VISIT_GROUPS = {
    "Day and instrument": {
        "date": "Date, as 2026-03-31",
        "crew": "Crew",
        "in_service": "Line in service",
        "soil_state": "Soil",
        "instrument_serial": "Instrument, serial number",
        "calibration_due": "Calibration holds until",
        "test_frequency_hz": "Test frequency",
        "test_voltage_v": "Test voltage",
        "range_divisor": "Divisor of the range",
        "overload": "Overload shown",
        "coil_turns_worn": "Coil turns round the leg",
        "coil_turns_set": "Coil turns entered",
    },
    "Probes": {
        "current_probe_distance_m": "Current probe, from the tower",
        "current_probe_bearing_deg": "Current probe, true direction",
        "current_probe_ohm": "Current probe, to earth",
        "stray_voltage_current_v": "Stray voltage, current probe",
        "potential_probe_distance_m": "Potential probe, from the tower",
        "potential_probe_bearing_deg": "Potential probe, true direction",
        "potential_probe_ohm": "Potential probe, to earth",
        "stray_voltage_potential_v": "Stray voltage, potential probe",
    },
    "Readings": {
        "method": "Method",
        "stray_frequency_hz": "Stray voltage, frequency",
        "impedance_ohm": "Impedance by that method",
        "impedance_no_coils_ohm": "Impedance without coils",
        "injected_ma": "Injected current",
        "legs_ma": "Of it through the legs",
        "leakage_total_ma": "Leakage, all legs together",
    },
    "Seen": {
        "leads_missing": "Leads cut, stolen, absent: count",
        "corrosion": "Corrosion",
        "bond_seen": "Shield-wire bond, from the ground",
        "photo": "Photo, file name",
        "latitude_deg": "Where you stood, latitude",
        "longitude_deg": "Where you stood, longitude",
        "note": "Note",
    },
}
LEG_WORDS = {
    "leakage_ma": "Leakage current",
    "impedance_ohm": "Impedance of the leg, U/I",
    "coil_turns_worn": "Turns round this leg",
}
SWEEP_WORDS = {"frequency_hz": "Frequency", "impedance_ohm": "Impedance", "phase_deg": "Phase"}
UNITS = {"deg": "°", "1": ""}


@dataclass(frozen=True)
class Blank:
    """One thing to write down: its column, words, unit, and the words to choose from where there are some."""

    column: str
    words: str
    unit: str
    choices: tuple[str, ...] = ()
    needed: bool = False


def blanks(table, words):
    """Things to write down for columns of a table.

    Parameters
    ----------
    table : str
        ``"visits"``, ``"legs"`` or ``"sweeps"``.
    words : dict of str to str
        Column to what the crew reads.

    Returns
    -------
    list of Blank

    Examples
    --------
    >>> blanks("visits", {"soil_state": "Soil"})[0].choices
    ('dry', 'normal', 'wet', 'frozen')
    >>> blanks("legs", LEG_WORDS)[0].unit
    'mA'
    """
    return [_blank(schema(table).columns[column], said) for column, said in words.items()]


def visit_blanks():
    """Things to write down about a visit, by group.

    Returns
    -------
    dict of str to list of Blank
    """
    return {group: blanks("visits", words) for group, words in VISIT_GROUPS.items()}


def _blank(column, said):
    """One column of the data dictionary as a thing to write down."""
    kind, unit = column.metadata["kind"], column.metadata["unit"]
    allowed = [
        check.statistics["allowed_values"] for check in column.checks if "allowed_values" in check.statistics
    ]
    choices = ("yes", "no") if kind == "yes/no" else tuple(allowed[0]) if allowed else ()
    return Blank(column.name, said, UNITS.get(unit, unit), choices, needed=column.required)

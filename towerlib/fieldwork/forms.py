"""Forms of a visit: the columns that a crew records, in the order of the work, and the tables to fill in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from towerlib.records.tables import schema

if TYPE_CHECKING:
    from towerlib.assessment import Study


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
        "current_scale_factor": "Divisor of the range",
        "over_range": "Overload shown",
        "coil_turns": "Coil turns round the leg",
        "coil_turns_recorded": "Coil turns entered",
    },
    "Probes": {
        "current_probe_distance_m": "Current probe, from the tower",
        "current_probe_bearing_deg": "Current probe, true direction",
        "current_probe_ohm": "Current probe, to earth",
        "interference_current_probe_v": "Stray voltage, current probe",
        "potential_probe_distance_m": "Potential probe, from the tower",
        "potential_probe_bearing_deg": "Potential probe, true direction",
        "potential_probe_ohm": "Potential probe, to earth",
        "interference_potential_probe_v": "Stray voltage, potential probe",
    },
    "Readings": {
        "method": "Method",
        "interference_frequency_hz": "Stray voltage, frequency",
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
    "coil_turns": "Turns round this leg",
}
SWEEP_WORDS = {"frequency_hz": "Frequency", "impedance_ohm": "Impedance", "phase_deg": "Phase"}
UNITS = {"deg": "°", "1": ""}


@dataclass(frozen=True)
class Blank:
    """One entry of a form: column, label, unit, and permitted words if any."""

    column: str
    words: str
    unit: str
    choices: tuple[str, ...] = ()
    needed: bool = False


def blanks(table: str, words: dict[str, str]) -> list[Blank]:
    """Form entries for columns of the table ``"visits"``, ``"legs"`` or ``"sweeps"``, with the label of each."""
    return [_blank(schema(table).columns[column], said) for column, said in words.items()]


def visit_blanks() -> dict[str, list[Blank]]:
    """Form entries of a visit, by group."""
    return {group: blanks("visits", words) for group, words in VISIT_GROUPS.items()}


def _blank(column, said):
    """Form entry of one column of the data dictionary."""
    kind, unit = column.metadata["kind"], column.metadata["unit"]
    allowed = [
        check.statistics["allowed_values"] for check in column.checks if "allowed_values" in check.statistics
    ]
    choices = ("yes", "no") if kind == "yes/no" else tuple(allowed[0]) if allowed else ()
    return Blank(column.name, said, UNITS.get(unit, str(unit)), choices, needed=column.required)


LETTERS = "ABCDEFGHIJKL"
MANGLED = r"[0-9]+([.,/:-][0-9]+)*|[0-9]+[eE][+-]?[0-9]+|[0-9]+[ ./-]*[^\W\d_]{3,}"  # names that a spreadsheet would convert
SAFE = r"0|[1-9][0-9]{0,14}"  # a plain number stays as it is


def visits(stops: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Rows of ``visits.csv`` to fill in: all columns of the data dictionary, with visit_id and tower_id filled in.

    visit_id consists of V, year and month, and the tower's `place` on the route: V2606-012. The initial letter prevents
    conversion to a date by spreadsheets. A name already in use gets a letter appended.
    """
    taken = set(study.records.visits["visit_id"])
    stem = f"V{study.month[2:4]}{study.month[5:]}"
    names = [_free(f"{stem}-{place:03d}", taken) for place in stops["place"]]
    return _blank_rows("visits", {"visit_id": names, "tower_id": stops["tower_id"].to_list()})


def legs(stops: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Rows of ``legs.csv`` to fill in, with the leg names of the newest visit that read all legs, else A, B, C, D."""
    read, rows = _read_legs(study), []
    for stop in cast("Any", stops).itertuples():
        count, used = _count(stop), read.get(stop.tower_id, [])
        rows += [(stop.visit_id, leg) for leg in (used if len(used) >= count else LETTERS[:count])]
    return _blank_rows("legs", {"visit_id": [row[0] for row in rows], "leg": [row[1] for row in rows]})


def armoured(table: pd.DataFrame) -> pd.DataFrame:
    """Table with a leading apostrophe before each tower_id that a spreadsheet would convert to a number or a date.

    The reader of records removes the apostrophe.
    """
    guarded = {
        name: [
            f"'{text}" if re.fullmatch(MANGLED, text) and not re.fullmatch(SAFE, text) else text
            for text in table[name]
        ]
        for name in ("tower_id",)
        if name in table
    }
    return table.assign(**guarded)


def _free(name, taken):
    """A name not yet used by a visit."""
    endings = ("", *(chr(letter) for letter in range(ord("b"), ord("z") + 1)))
    return next((name + ending for ending in endings if name + ending not in taken), f"{name}-{len(taken)}")


def _blank_rows(table, filled):
    """A table of the data dictionary with some columns filled."""
    return pd.DataFrame(filled, dtype="str").reindex(columns=list(schema(table).columns)).astype("object")


def _read_legs(study):
    """Names of the legs at each tower's newest visit among those with most legs read."""
    read = study.records.legs.groupby("visit_id")["leg"].agg(list).rename("legs")
    seen = study.records.visits[["visit_id", "tower_id", "date"]].merge(read, on="visit_id", validate="1:1")
    seen = seen.assign(count=seen["legs"].map(len)).sort_values(["count", "date"], kind="stable")
    return seen.drop_duplicates("tower_id", keep="last").set_index("tower_id")["legs"].to_dict()


def _count(stop):
    """Number of legs on the form; default by structure where the register is blank."""
    if pd.notna(stop.leg_count):
        return int(stop.leg_count)
    return 1 if stop.structure == "monopole" else 4

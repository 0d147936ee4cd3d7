"""Tables of records as three crews would have typed them, each with habits of its own."""

import datetime

import numpy as np
import pandas as pd

GERMAN = {  # column: header of crew A, in Windows-1252, which has no Ω
    "visit_id": "Prüfnummer",
    "tower_id": "Mast Nr.",
    "date": "Prüfdatum",
    "crew": "Trupp",
    "instrument_serial": "Gerätenummer",
    "calibration_due": "kalibriert bis",
    "in_service": "in Betrieb",
    "soil_state": "Bodenzustand",
    "method": "Messverfahren",
    "test_frequency_hz": "Messfrequenz [Hz]",
    "impedance_ohm": "Erdungsimpedanz [Ohm]",
    "impedance_no_coils_ohm": "Impedanz ohne Spulen [Ohm]",
    "injected_ma": "Prüfstrom [mA]",
    "legs_ma": "Strom durch Eckstiele [mA]",
    "leakage_total_ma": "Summenstrom [mA]",
    "stray_voltage_potential_v": "Störspannung S [V]",
    "stray_voltage_current_v": "Störspannung H [V]",
    "stray_frequency_hz": "Störfrequenz [Hz]",
    "potential_probe_ohm": "Sondenwiderstand [Ohm]",
    "current_probe_ohm": "Hilfserderwiderstand [Ohm]",
    "potential_probe_distance_m": "Sondenabstand [m]",
    "current_probe_distance_m": "Hilfserderabstand [m]",
    "potential_probe_bearing_deg": "Richtung der Sonde",
    "current_probe_bearing_deg": "Richtung des Hilfserders",
    "coil_turns_worn": "Windungen",
    "coil_turns_set": "eingestellte Windungen",
    "leads_missing": "fehlende Erdungsleitungen",
    "corrosion": "Korrosion",
    "bond_seen": "Erdseilanschluss",
    "latitude_deg": "Breite",
    "longitude_deg": "Länge",
    "note": "Bemerkung",
}
GERMAN_WORDS = {
    "yes": "ja", "no": "nein", "dry": "trocken", "wet": "nass", "leg coils": "mit Spulen", "no coils": "ohne Spulen",
    "none": "keine", "light": "leicht", "heavy": "stark", "sound": "in Ordnung", "damaged": "beschädigt",
    "missing": "fehlt", "not seen": "nicht gesehen", "shield wire lifted": "Erdseil abgehoben",
}  # fmt: skip
SHEET = {  # column: header of crew B, whose workbook has the units in a row of their own
    "visit_id": ("Visit", ""),
    "tower_id": ("Tower", ""),
    "date": ("Date", ""),
    "crew": ("Crew", ""),
    "instrument_serial": ("Serial no", ""),
    "calibration_due": ("Cal due", ""),
    "in_service": ("In service", ""),
    "soil_state": ("Soil state", ""),
    "method": ("Method", ""),
    "test_frequency_hz": ("Test frequency", "Hz"),
    "impedance_ohm": ("Impedance", "Ω"),
    "impedance_no_coils_ohm": ("Z without coils", "Ω"),
    "injected_ma": ("I injected", "mA"),
    "legs_ma": ("I legs", "mA"),
    "leakage_total_ma": ("I total", "mA"),
    "stray_voltage_potential_v": ("Stray voltage S", "V"),
    "stray_voltage_current_v": ("Stray voltage H", "V"),
    "stray_frequency_hz": ("Stray frequency", "Hz"),
    "potential_probe_ohm": ("RS", "kΩ"),
    "current_probe_ohm": ("RH", "kΩ"),
    "potential_probe_distance_m": ("Distance to potential probe", "m"),
    "current_probe_distance_m": ("Distance to current probe", "m"),
    "potential_probe_bearing_deg": ("Potential probe bearing", "deg"),
    "current_probe_bearing_deg": ("Current probe bearing", "deg"),
    "coil_turns_worn": ("Coil turns", ""),
    "coil_turns_set": ("Turns set", ""),
    "leads_missing": ("Leads cut", ""),
    "corrosion": ("Corrosion seen", ""),
    "bond_seen": ("Bond", ""),
    "note": ("Remarks", ""),
}
PLAIN = {  # column: header of crew C, whose "Value" is named in line.toml
    "visit_id": "Record No",
    "tower_id": "Structure No",
    "date": "Test Date",
    "crew": "Tester",
    "instrument_serial": "Serial No",
    "calibration_due": "Cal Due",
    "in_service": "Energized",
    "soil_state": "Soil condition",
    "method": "Test method",
    "test_frequency_hz": "Frequency",
    "impedance_ohm": "Value",
    "impedance_no_coils_ohm": "Resistance without coils",
    "injected_ma": "Test current (A)",
    "legs_ma": "Current through legs (A)",
    "leakage_total_ma": "Total leakage",
    "stray_voltage_potential_v": "Stray voltage S",
    "stray_voltage_current_v": "Stray voltage H",
    "stray_frequency_hz": "Stray frequency",
    "potential_probe_ohm": "Rs",
    "current_probe_ohm": "Rh",
    "potential_probe_distance_m": "Distance to potential probe (ft)",
    "current_probe_distance_m": "Distance to current probe (ft)",
    "potential_probe_bearing_deg": "Bearing of potential probe",
    "current_probe_bearing_deg": "Bearing of current probe",
    "coil_turns_worn": "Turns worn",
    "coil_turns_set": "Turns entered",
    "leads_missing": "Missing leads",
    "corrosion": "Corrosion",
    "bond_seen": "Bond state",
    "latitude_deg": "Lat",
    "longitude_deg": "Long",
    "note": "Comments",
}
FOOT_M = 0.3048


def german(visits, headers=GERMAN):
    """Visits as crew A writes them: German words and headers, decimal commas, thousands with a point.

    Parameters
    ----------
    visits : pandas.DataFrame
        In the columns of the records.
    headers : dict of str to str

    Returns
    -------
    pandas.DataFrame
        Text alone.
    """
    return pd.DataFrame(
        {headers[name]: visits[name].map(_german, na_action="ignore") for name in headers}
    ).astype("str")


def _german(cell):
    """One cell in German."""
    if isinstance(cell, datetime.date):
        return f"{cell:%d.%m.%Y}"
    if isinstance(cell, str):
        return GERMAN_WORDS.get(cell, cell)
    if abs(cell) >= 1000 and cell == round(cell):
        return f"{cell:,.0f}".replace(",", ".")
    return f"{cell:.10g}".replace(".", ",")


def sheet(visits, legs):
    """Visits as crew B fills them in: one row a visit, a column a leg, probe resistances in kΩ.

    Parameters
    ----------
    visits, legs : pandas.DataFrame
        In the columns of the records.

    Returns
    -------
    (list of str, list of str, list of list)
        Header, row of units, rows with numbers, dates and text; blank is None.
    """
    wide = legs.pivot(index="visit_id", columns="leg", values="leakage_ma").reindex(visits["visit_id"])
    kilo = visits.assign(
        **{name: visits[name] / 1000 for name in ("potential_probe_ohm", "current_probe_ohm")}
    )
    kilo = kilo.assign(tower_id=[int(name) if name.isdigit() else name for name in visits["tower_id"]])
    both = pd.concat([kilo[list(SHEET)].reset_index(drop=True), wide.reset_index(drop=True)], axis=1).astype(
        object
    )
    header = [text for text, _ in SHEET.values()] + [f"I leg {leg}" for leg in wide]
    units = [unit for _, unit in SHEET.values()] + ["mA"] * wide.shape[1]
    return header, units, both.where(both.notna(), None).to_numpy().tolist()


def plain(visits):
    """Visits as crew C writes them: month first, amperes, feet, units in cells, degrees and minutes.

    Parameters
    ----------
    visits : pandas.DataFrame
        In the columns of the records.

    Returns
    -------
    pandas.DataFrame
        Text alone.
    """
    feet = {
        name: np.round(visits[name] / FOOT_M, 1)
        for name in ("potential_probe_distance_m", "current_probe_distance_m")
    }
    amperes = {name: visits[name] / 1000 for name in ("injected_ma", "legs_ma")}
    shown = visits.assign(**feet, **amperes)[list(PLAIN)].map(_plain, na_action="ignore")
    return shown.assign(
        impedance_ohm=_with(shown["impedance_ohm"], " ohm"),
        leakage_total_ma=_with(shown["leakage_total_ma"], " mA"),
        latitude_deg=[minutes(angle, "NS") for angle in visits["latitude_deg"]],
        longitude_deg=[minutes(angle, "EW") for angle in visits["longitude_deg"]],
        tower_id=[_structure(name, place) for place, name in enumerate(visits["tower_id"])],
    ).rename(columns=PLAIN)


def _plain(cell):
    """One cell with the month first."""
    if isinstance(cell, datetime.date):
        return f"{cell:%m/%d/%Y}"
    return cell if isinstance(cell, str) else f"{cell:.10g}"


def _with(cells, unit):
    """Every third cell with its unit."""
    return [
        cell + unit if isinstance(cell, str) and place % 3 == 0 else cell for place, cell in enumerate(cells)
    ]


def minutes(angle, letters):
    """Degrees, and minutes to a thousandth (2 m), with the letter of the hemisphere."""
    whole, minutes = divmod(round(abs(angle) * 60, 3), 60)
    return f"{whole:.0f}° {minutes:.3f}' {letters[0] if angle > 0 else letters[1]}"


def _structure(name, place):
    """A tower as it comes to the pencil."""
    bare = name.lstrip("0")
    return (f"T-{bare}", f"Twr {name}", bare.lower(), f"No. {bare}")[place % 4]

"""The field sheet: a page to print and fill in, waypoints as GPX and GeoJSON, and the tables for the readings.

Each tower has a sketch from above with the line and the probes, north up.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np

from towerlib import safe_files
from towerlib.errors import SettingsError
from towerlib.fieldwork import forms
from towerlib.fieldwork.forms import armoured
from towerlib.report import cautions, pages
from towerlib.report.tower_marks import each
from towerlib.report.workbook import harmless

if TYPE_CHECKING:
    from towerlib.fieldwork import FieldSheet

REACH = 40.0  # of the farthest probe from the middle, in units of the drawing


def sketch(stop: dict[str, Any], lays: list[dict[str, Any]]) -> dict[str, Any] | None:
    """What the page draws of a tower's surroundings.

    Parameters
    ----------
    stop : dict
        One row of `towerlib.fieldwork.stops`.
    lays : list of dict
        Its rows of `towerlib.fieldwork.probe_layout.place_probes`.

    Returns
    -------
    dict or None
        ``spans``: ends (x, y) of the line, back and ahead; ``leads``: label, alternative, and the places of both
        probes and of the label. y points down as in SVG. None where nothing is laid out.
    """
    if not lays:
        return None
    scale = REACH / max(lay["current_m"] for lay in lays)
    half_turn = (stop["deviation_deg"] or 0.0) / 2.0
    spans = [stop["bearing_deg"] - half_turn + 180.0, stop["bearing_deg"] + half_turn]
    return {
        "spans": [_place(bearing, REACH * 1.12) for bearing in spans],
        "leads": [
            {
                "label": short(lay["lay"]),
                "alternative": lay["alternative"],
                "current": _place(lay["bearing_deg"], lay["current_m"] * scale),
                "potential": _place(lay["bearing_deg"], lay["potential_m"] * scale),
                "text": _place(lay["bearing_deg"], lay["current_m"] * scale + 6.0),
            }
            for lay in lays
        ],
    }


def short(lay: str) -> str:
    """A lay in two or three letters, as the page and the waypoints have it.

    Examples
    --------
    >>> short("left"), short("right, forward"), short("left, back")
    ('L', 'RF', 'LB')
    """
    return "".join(word[0] for word in lay.upper().split(", "))


def _place(bearing_deg, away):
    """Where a direction and distance from the middle lie in the drawing."""
    angle = np.radians(bearing_deg)
    return round(float(away * np.sin(angle)), 1), round(float(-away * np.cos(angle)), 1)


GPX = "http://www.topografix.com/GPX/1/1"
SCHEMA = f"{GPX} http://www.topografix.com/GPX/1/1/gpx.xsd"
DIGITS = 7  # of a degree: a centimetre
NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
PROBES = {"current": "C", "potential": "P"}
NOTE = f"Places are computed from the register, not surveyed. {cautions.NO_PERMIT} Read the cautions on the sheet."


def waypoints(sheet: FieldSheet) -> list[dict[str, Any]]:
    """Every tower and probe place of a field sheet.

    Parameters
    ----------
    sheet : FieldSheet

    Returns
    -------
    list of dict
        In the order of the stops: ``name``, ``kind`` ("tower", "current probe", "potential probe"), ``tower_id``,
        latitude_deg, longitude_deg, ``description``; of probes also ``lay``, ``alternative``, ``distance_m``,
        ``bearing_deg`` from the tower. The name of a probe is that of the tower with C or P, and L or R for the
        side; F (forward) and B (back) mark the alternatives.
    """
    laid = dict(list(sheet.probe_layouts.groupby("tower_id", sort=False)))
    points = []
    for stop in each(sheet.stops):
        points.append(_tower(stop))
        lays = each(laid[stop.tower_id]) if stop.tower_id in laid else ()
        points += [_probe(stop, lay, probe) for lay in lays for probe in PROBES]
    return points


def gpx(sheet: FieldSheet) -> str:
    """The waypoints as GPX 1.1.

    Parameters
    ----------
    sheet : FieldSheet

    Returns
    -------
    str

    Notes
    -----
    Characters that XML does not allow stand as U+FFFD.

    References
    ----------
    GPX 1.1 Schema Documentation, topografix.com/GPX/1/1 (order of the elements from memory).
    """
    root = ElementTree.Element("gpx", {"version": "1.1", "creator": "towerlib", "xmlns": GPX})
    root.set("xmlns:xsi", "http://www.w3.org/2001/XMLSchema-instance")
    root.set("xsi:schemaLocation", SCHEMA)
    about = ElementTree.SubElement(root, "metadata")
    _text(about, "name", f"{sheet.title}, field sheet as of {sheet.month}")
    _text(about, "desc", f"{sheet.chosen} {NOTE}")
    for point in waypoints(sheet):
        place = {"lat": f"{point['latitude_deg']:.{DIGITS}f}", "lon": f"{point['longitude_deg']:.{DIGITS}f}"}
        waypoint = ElementTree.SubElement(root, "wpt", place)
        _text(waypoint, "name", point["name"])
        _text(waypoint, "desc", point["description"])
        _text(waypoint, "type", point["kind"])
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def geojson(sheet: FieldSheet) -> str:
    """The waypoints as GeoJSON (WGS 84, longitude first).

    Parameters
    ----------
    sheet : FieldSheet

    Returns
    -------
    str

    References
    ----------
    RFC 7946.
    """
    features = [
        {
            "type": "Feature",
            "geometry": {
                "type": "Point",
                "coordinates": [round(point["longitude_deg"], DIGITS), round(point["latitude_deg"], DIGITS)],
            },
            "properties": {
                key: value for key, value in point.items() if key not in ("latitude_deg", "longitude_deg")
            },
        }
        for point in waypoints(sheet)
    ]
    return (
        json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, indent=1) + "\n"
    )


def _tower(stop):
    """A tower as a waypoint."""
    return {
        "name": stop.tower_id,
        "kind": "tower",
        "tower_id": stop.tower_id,
        "latitude_deg": stop.latitude_deg,
        "longitude_deg": stop.longitude_deg,
        "description": f"Stop {stop.stop}, km {stop.chainage_km:.3f}. Last: {stop.last_said}. {stop.probe_doubts}".strip(),
    }


def _probe(stop, lay, probe):
    """A place of one probe as a waypoint."""
    away_m, bearing_deg = getattr(lay, f"{probe}_m"), round(float(lay.bearing_deg), 1) % 360.0
    where = f"{probe.capitalize()} probe, {lay.lay}: {away_m:.0f} m from the tower at {bearing_deg:.0f}°."
    return {
        "name": f"{stop.tower_id} {PROBES[probe]}{short(lay.lay)}",
        "kind": f"{probe} probe",
        "tower_id": stop.tower_id,
        "lay": lay.lay,
        "alternative": bool(lay.alternative),
        "distance_m": float(away_m),
        "bearing_deg": bearing_deg,
        "latitude_deg": getattr(lay, f"{probe}_latitude_deg"),
        "longitude_deg": getattr(lay, f"{probe}_longitude_deg"),
        "description": f"{where} {lay.doubts}".strip(),
    }


def _text(parent, name, text):
    """A child element with a text that XML can hold."""
    ElementTree.SubElement(parent, name).text = NOT_IN_XML.sub("\ufffd", text)


NAMES = ("fieldsheet.html", "fieldsheet.gpx", "fieldsheet.geojson", "visits.csv", "legs.csv")
SWEEP_ROWS = 4  # on paper, or as many as there are legs; a whole sweep is better saved by the instrument


def write(sheet: FieldSheet, folder: str | Path) -> list[Path]:
    """Write the files of a field sheet.

    Parameters
    ----------
    sheet : FieldSheet
    folder : path
        Made where it does not exist.

    Returns
    -------
    list of pathlib.Path

    Raises
    ------
    SettingsError
        The folder cannot be written to, or holds tables that this sheet would not write: they may be filled in.
    """
    folder = Path(folder)
    texts = dict(zip(NAMES, _texts(sheet), strict=True))
    for name in ("visits.csv", "legs.csv"):
        if (folder / name).exists() and (folder / name).read_bytes() != texts[name].encode("utf-8"):
            raise SettingsError(
                f"{folder / name} is already there with other contents and may be filled in; "
                "name another folder with --out, or move it away"
            )
    try:
        with safe_files.replace_files(folder) as place:
            for name, text in texts.items():
                (place / name).write_bytes(text.encode("utf-8"))
    except OSError as flaw:
        raise SettingsError(f"the field sheet cannot be written to {folder}: {flaw.strerror}") from None
    return [folder / name for name in NAMES]


def page(sheet: FieldSheet) -> str:
    """The field sheet as one HTML page that needs nothing else.

    Parameters
    ----------
    sheet : FieldSheet

    Returns
    -------
    str
        Prints on A4: an overview, then each tower from a new page on, with the cautions on top of every page.
    """
    laid = {
        name: rows.to_dict("records") for name, rows in sheet.probe_layouts.groupby("tower_id", sort=False)
    }
    legs = sheet.legs.groupby("visit_id", sort=False)["leg"].agg(list).to_dict()
    stops = [
        stop
        | {
            "lays": laid.get(stop["tower_id"], []),
            "legs": legs.get(stop["visit_id"], []),
            "sketch": sketch(stop, laid.get(stop["tower_id"], [])),
        }
        for stop in sheet.stops.astype(object).where(sheet.stops.notna(), None).to_dict("records")
    ]
    return pages.render(
        "fieldsheet.html",
        sheet=sheet,
        stops=stops,
        groups=forms.visit_blanks(),
        leg_blanks=forms.blanks("legs", forms.LEG_WORDS),
        sweep_blanks=forms.blanks("sweeps", forms.SWEEP_WORDS),
        sweep_rows=SWEEP_ROWS if sheet.has_sweeps else 0,
    )


def _texts(sheet):
    """Contents of the files, in the order of `NAMES`."""
    yield page(sheet)
    yield gpx(sheet)
    yield geojson(sheet)
    for table in (sheet.visits, sheet.legs):
        rows = harmless(armoured(table).astype("str").where(table.notna()))
        yield "\ufeff" + rows.to_csv(
            index=False, lineterminator="\r\n"
        )  # so that spreadsheets know the encoding

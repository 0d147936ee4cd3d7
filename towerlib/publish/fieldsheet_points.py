"""Waypoints of a field sheet for a handheld: GPX 1.1 and GeoJSON."""

import json
import re
from xml.etree import ElementTree

from towerlib.publish.fieldsheet_sketch import short

GPX = "http://www.topografix.com/GPX/1/1"
SCHEMA = f"{GPX} http://www.topografix.com/GPX/1/1/gpx.xsd"
DIGITS = 7  # of a degree: a centimetre
NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
PROBES = {"current": "C", "potential": "P"}
NOTE = "Places are worked out from the register, not surveyed. No permit; read the cautions on the sheet."


def waypoints(sheet):
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
    laid = dict(list(sheet.lays.groupby("tower_id", sort=False)))
    points = []
    for stop in sheet.stops.itertuples():
        points.append(_tower(stop))
        lays = laid[stop.tower_id].itertuples() if stop.tower_id in laid else ()
        points += [_probe(stop, lay, probe) for lay in lays for probe in PROBES]
    return points


def gpx(sheet):
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


def geojson(sheet):
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

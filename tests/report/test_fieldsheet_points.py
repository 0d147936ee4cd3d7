"""Waypoints: read back by other people's readers."""

import json
from xml.etree import ElementTree

import pytest
from fieldsheet_lines import EARTH, HOSTILE, along, hostile, known, study, towers

from towerlib import fieldwork
from towerlib.report import fieldsheet

GPX = "{http://www.topografix.com/GPX/1/1}"
ORDER = [  # gpx.xsd of GPX 1.1, sequence of wptType (from memory)
    *("ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type"),
]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    place = hostile(tmp_path_factory.mktemp("hostile") / "low-moor")
    sheet = fieldwork.prepare(known(place), "all")
    paths = fieldsheet.write(sheet, place.parent / "out")
    return sheet, {path.suffix: path for path in paths}


def test_gpx_is_read_by_a_kept_parser(written):
    gpxpy = pytest.importorskip("gpxpy")
    sheet, paths = written
    read = gpxpy.parse(paths[".gpx"].read_text(encoding="utf-8"))
    assert read.version == "1.1"
    assert sheet.title in read.name
    assert [point.name for point in read.waypoints if point.type == "tower"] == HOSTILE
    assert len(read.waypoints) == len(HOSTILE) + 2 * len(sheet.probe_layouts)


def test_gpx_has_the_elements_of_its_schema_in_order(written):
    root = ElementTree.parse(written[1][".gpx"]).getroot()
    assert root.tag == GPX + "gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator")
    assert [child.tag for child in root][:2] == [GPX + "metadata", GPX + "wpt"]
    for point in root.iter(GPX + "wpt"):
        assert -90 <= float(point.get("lat")) <= 90
        assert -180 <= float(point.get("lon")) < 180
        places = [ORDER.index(child.tag.removeprefix(GPX)) for child in point]
        assert places == sorted(places)


def test_waypoints_as_written_stand_where_they_say(written):
    """GeographicLib over the decimals in the file: within two centimetres of the distance, of 0.1° in direction."""
    found = json.loads(written[1][".geojson"].read_text(encoding="utf-8"))["features"]
    here = None
    for feature in found:
        said, (longitude, latitude) = feature["properties"], feature["geometry"]["coordinates"]
        if said["kind"] == "tower":
            here = latitude, longitude
            continue
        measured = EARTH.Inverse(*here, latitude, longitude)
        assert measured["s12"] == pytest.approx(said["distance_m"], abs=0.02)
        assert abs((measured["azi1"] - said["bearing_deg"] + 180) % 360 - 180) < 0.1


def test_geojson_is_read_by_gdal_and_holds_the_same_points(written):
    geopandas = pytest.importorskip("geopandas")
    gpxpy = pytest.importorskip("gpxpy")
    layer = geopandas.read_file(written[1][".geojson"])
    assert layer.crs.to_epsg() == 4326
    points = gpxpy.parse(written[1][".gpx"].read_text(encoding="utf-8")).waypoints
    assert layer["name"].to_list() == [point.name for point in points]
    assert layer.geometry.y.to_list() == pytest.approx([point.latitude for point in points], abs=2e-7)
    assert layer.geometry.x.to_list() == pytest.approx([point.longitude for point in points], abs=2e-7)


def test_signs_that_xml_cannot_hold_are_shown_as_such(tmp_path):
    sheet = fieldwork.prepare(study(tmp_path / "low-moor", towers(along([70.0]))), "all")
    sheet.stops["tower_id"] = ["bell\x07", "2"]
    root = ElementTree.fromstring(fieldsheet.gpx(sheet).encode())
    assert root.find(f"{GPX}wpt/{GPX}name").text == "bell\ufffd"

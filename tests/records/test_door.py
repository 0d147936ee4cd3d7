"""The door of a line folder: files that would read another file or reach out over the network are refused.

What each format may hold comes from its standard: RFC 7946 and its forerunner, the GeoJSON format specification
of 2008, whose "crs" member may be a link; OGC 12-128 (GeoPackage 1.3), clause 1.1.1 for the file's own marks.
"""

import json
import os
import sqlite3
import subprocess
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import geopandas as gpd
import pandas as pd
import pytest
from folders import LINE, TOWERS, line_folder
from shapely import Point
from typer.testing import CliRunner

from towerlib import cli
from towerlib.errors import RecordsError, SettingsError, TowerlibError
from towerlib.records import gis
from towerlib.records.load import load
from towerlib.report import map_layers

SECRET = "tower_id,latitude_deg,longitude_deg\nhidden,-31,-20\n"


@pytest.fixture(scope="module")
def listener():
    """A server on loopback that notes every request; nothing in this module may reach it."""
    heard = []

    class Ear(BaseHTTPRequestHandler):
        def answer(self):
            heard.append(self.path)
            self.send_error(404)

        def log_message(self, *_):
            pass

    for method in ("GET", "HEAD", "POST", "OPTIONS"):
        setattr(Ear, f"do_{method}", Ear.answer)
    server = ThreadingHTTPServer(("127.0.0.1", 0), Ear)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", heard
    server.shutdown()
    server.server_close()


def features(crs=None, **more):
    """A GeoJSON text of the towers of `TOWERS`, of numbers and texts."""
    rows = [("1", -31, -20.0), ("2", -31, -19.997), ("4A", -31, -19.994)]
    shapes = [
        {
            "type": "Feature",
            "properties": {"tower_id": name, "height_m": 30 + k, "ring": k == 1},
            "geometry": {"type": "Point", "coordinates": [east, north]},
        }
        for k, (name, north, east) in enumerate(rows)
    ]
    whole = {"type": "FeatureCollection", "features": shapes} | ({"crs": crs} if crs else {}) | more
    return json.dumps(whole)


def vrt(source):
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="towers"><SrcDataSource>{source}</SrcDataSource><SrcLayer>outside</SrcLayer>'
        '<GeometryType>wkbPoint</GeometryType><LayerSRS>EPSG:4326</LayerSRS><GeometryField encoding="PointFromColumns" '
        'x="longitude_deg" y="latitude_deg"/></OGRVRTLayer></OGRVRTDataSource>'
    )


def disguises(url, outside):
    """Contents of a towers file that is something else, by what it is."""
    return {
        "a virtual dataset over a file": vrt(outside),
        "a virtual dataset over the network": vrt(f"/vsicurl/{url}/vrt.csv"),
        "a web feature service": f"<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
        "a prefix of a service": f"WFS:{url}/prefix",
        "a web coverage of features": f"OAPIF:{url}/oapif",
        "an address": f"{url}/address.geojson",
        "a path of the virtual file system": f"/vsicurl/{url}/path.geojson",
        "a pipeline": json.dumps(
            {"type": "gdal_streamed_alg", "command_line": f"gdal vector pipeline read {outside}"}
        ),
        "a collection of a catalogue": json.dumps(
            {"type": "FeatureCollection", "stac_version": "1.0.0", "links": [{"rel": "next", "href": url}]}
        ),
        "a linked system": features({"type": "link", "properties": {"href": f"{url}/crs", "type": "ogcwkt"}}),
        "a system named by an address": features({"type": "name", "properties": {"name": f"{url}/crs"}}),
        "a system named by a file": features({"type": "name", "properties": {"name": f"+init={outside}:1"}}),
    }


KINDS = list(disguises("", ""))


@pytest.mark.parametrize("ending", ["geojson", "gpkg"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_disguised_dataset_is_refused_unread(tmp_path, listener, kind, ending):
    url, heard = listener
    outside = tmp_path / "outside.csv"
    outside.write_text(SECRET)
    folder = line_folder(tmp_path / "low-moor", towers_csv=None)
    (folder / f"towers.{ending}").write_text(disguises(url, outside)[kind])
    os.utime(outside, (1, 1))
    with pytest.raises(RecordsError) as caught:
        load(folder)
    assert f"towers.{ending}" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "hidden" not in str(caught.value)
    assert heard == []


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_under_the_map(tmp_path, listener, kind):
    url, heard = listener
    folder = line_folder(tmp_path / "low-moor")
    (folder / "context").mkdir()
    (folder / "context" / "water.gpkg").write_text(disguises(url, tmp_path / "outside.csv")[kind])
    with pytest.raises(RecordsError, match=r"water\.gpkg"):
        map_layers.layers(folder)
    with pytest.raises(RecordsError, match=r"water\.gpkg"):
        load(folder)
    assert heard == []


@pytest.mark.parametrize("command", ["check", "run"])
def test_the_command_ends_with_2(tmp_path, listener, command):
    url, heard = listener
    (tmp_path / "outside.csv").write_text(SECRET)
    for k, (kind, text) in enumerate(disguises(url, tmp_path / "outside.csv").items()):
        folder = line_folder(tmp_path / f"line-{k}", towers_csv=None)
        (folder / "towers.geojson").write_text(text)
        said = CliRunner().invoke(cli.app, [command, str(folder), "--reports", str(tmp_path / "reports")])
        assert said.exit_code == 2, kind
        assert "towers.geojson" in said.output
        assert "hidden" not in said.output
        assert "Traceback" not in said.output
    assert heard == []


def test_the_network_drivers_are_not_there(tmp_path, listener):
    """In a process of its own, since drivers register once: whoever gets past the guard finds no door behind it."""
    url, heard = listener
    code = (
        "from towerlib.records import gis\nlibrary = gis.library()\nprint(*sorted(library.list_drivers()))\n"
        f"try:\n    library.read_info('WFS:{url}/wfs')\nexcept Exception as flaw:\n    print(type(flaw).__name__)\n"
        f"try:\n    library.read_info('/vsicurl/{url}/a.geojson')\nexcept Exception as flaw:\n    print(type(flaw).__name__)\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    ).stdout
    drivers, *rest = said.splitlines()
    assert {"GPKG", "GeoJSON"} <= set(drivers.split())
    assert not {"WFS", "OAPIF", "OGCAPI", "OGR_VRT", "CSW", "HTTP", "Carto", "GDALG"} & set(drivers.split())
    assert rest == ["DataSourceError", "DataSourceError"]
    assert heard == []


# ---- what is sound is still read


@pytest.mark.parametrize(
    "crs",
    [
        None,
        {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}},
        {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::4326"}},
        {"type": "name", "properties": {"name": "EPSG:4326"}},
    ],
)
def test_a_sound_geojson_gives_the_same_towers(tmp_path, crs):
    plain = load(
        line_folder(
            tmp_path / "plain",
            towers_csv=TOWERS.replace("\n", ",height_m,ring\n", 1)
            .replace("20.000", "20.000,30,no")
            .replace("997", "997,31,yes")
            .replace("994", "994,32,no"),
        )
    )
    read = load(line_folder(tmp_path / "gis", towers_csv=None, towers_geojson=features(crs)))
    pd.testing.assert_frame_equal(read.towers, plain.towers)


def test_a_geojson_on_a_grid_lies_where_its_system_says(tmp_path):
    points = gpd.GeoSeries([Point(-20.0, -31), Point(-19.997, -31), Point(-19.994, -31)], crs=4326).to_crs(
        32727
    )
    text = json.loads(features({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32727"}}))
    for shape, point in zip(text["features"], points, strict=True):
        shape["geometry"]["coordinates"] = [point.x, point.y]
    read = load(line_folder(tmp_path / "gis", towers_csv=None, towers_geojson=json.dumps(text)))
    assert read.towers["longitude_deg"].to_list() == pytest.approx([-20.0, -19.997, -19.994], abs=1e-8)


NO_TOWERS = [
    ("{", "is not GeoJSON"),
    ("[]", "is not GeoJSON"),
    ('{"type": "Topology"}', "is not GeoJSON"),
    ('{"type": "FeatureCollection", "features": 3}', "is not GeoJSON"),
    ('{"type": "FeatureCollection", "features": [3]}', "is not GeoJSON"),
    ("[" * 100_000, "is not GeoJSON"),
    (
        '{"type": "Feature", "geometry": {"type": "Point", "coordinates": ["a", 2]}}',
        "cannot be read",
    ),
    (
        '{"type": "Feature", "geometry": {"type": "LineString", "coordinates": [[1, 2], [3, 4]]}}',
        "shapes other than points",
    ),
    ('{"type": "FeatureCollection", "crs": null, "features": []}', "not state a coordinate system"),
]


@pytest.mark.parametrize(("text", "words"), NO_TOWERS)
def test_a_geojson_that_holds_no_towers_is_one_sentence(tmp_path, text, words):
    with pytest.raises(RecordsError, match=words) as caught:
        load(line_folder(tmp_path / "low-moor", towers_csv=None, towers_geojson=text))
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 1_000


def test_properties_of_mixed_kinds_are_kept_as_text(tmp_path):
    text = json.loads(features())
    for shape, name in zip(text["features"], ["012", 7, "4A"], strict=True):
        shape["properties"]["tower_id"] = name
        shape["properties"]["made"] = {"by": [1, 2]}
    visits = "visit_id,tower_id,date,method,impedance_ohm\nv1,012,2026-03-01,leg coils,4.2\nv2,7,2026-03-02,leg coils,2\n"
    read = load(
        line_folder(tmp_path / "gis", towers_csv=None, towers_geojson=json.dumps(text), visits_csv=visits)
    )
    assert read.towers["tower_id"].to_list() == ["012", "7", "4A"]
    assert read.towers["made"].to_list() == ['{"by": [1, 2]}'] * 3


# ---- tricks within a GeoPackage


def geopackage(path):
    layer = gpd.GeoDataFrame(
        {"tower_id": ["1", "2", "4A"]},
        geometry=[Point(-20, -31), Point(-19.997, -31), Point(-19.994, -31)],
        crs=4326,
    )
    layer.to_file(path, layer="towers", driver="GPKG")
    return path


TRICKS = {
    "a view": "ALTER TABLE towers RENAME TO kept; CREATE VIEW towers AS SELECT * FROM kept",
    "an endless view": "DROP TABLE towers; CREATE VIEW towers AS WITH RECURSIVE n(k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n) "
    "SELECT k AS fid, NULL AS geom, k AS tower_id FROM n",
    "contents that are a view": "ALTER TABLE gpkg_contents RENAME TO kept; CREATE VIEW gpkg_contents AS SELECT * FROM kept",
    "a virtual table": "PRAGMA writable_schema=ON; UPDATE sqlite_master SET sql = "
    "'CREATE VIRTUAL TABLE towers USING VirtualOGR(''/tmp/outside.csv'')', rootpage = 0 WHERE name = 'towers'",
    "a column that is worked out": "ALTER TABLE towers ADD COLUMN big GENERATED ALWAYS AS (hex(zeroblob(400000000))) VIRTUAL",
}


@pytest.mark.parametrize("kind", list(TRICKS))
def test_tricks_of_a_geopackage_are_refused(tmp_path, kind):
    path = geopackage(tmp_path / "towers.gpkg")
    with sqlite3.connect(path) as book:
        book.execute("PRAGMA legacy_alter_table=ON")
        for (name,) in book.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            book.execute(f'DROP TRIGGER "{name}"')  # they would not let the table go
        book.executescript(TRICKS[kind])
    book.close()
    content = path.read_bytes()
    begun = time.process_time()
    with pytest.raises(RecordsError, match=r"towers\.gpkg: the file holds the (view|layer|virtual table)"):
        load(line_folder(tmp_path / "low-moor", towers_csv=None, towers_gpkg=content))
    (tmp_path / "line" / "context").mkdir(parents=True)
    (tmp_path / "line" / "context" / "a.gpkg").write_bytes(content)
    with pytest.raises(RecordsError, match=r"a\.gpkg holds the"):
        map_layers.layers(tmp_path / "line")
    assert time.process_time() - begun < 20


def test_a_geopackage_that_is_still_written_to_is_refused(tmp_path):
    """Rows of an open transaction stand in a file beside it: they would be missing without a word."""
    folder = line_folder(tmp_path / "low-moor", towers_csv=None)
    path = geopackage(folder / "towers.gpkg")
    book = sqlite3.connect(path)
    book.execute("PRAGMA journal_mode=WAL")
    for (name,) in book.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        book.execute(f'DROP TRIGGER "{name}"')
    book.execute("DELETE FROM towers WHERE tower_id = '2'")
    book.commit()
    with pytest.raises(RecordsError, match="open in another program"):
        load(folder)
    book.close()  # now all of it stands in the file
    assert load(folder).towers["tower_id"].to_list() == ["1", "4A"]


def test_a_path_is_a_path_whatever_it_is_called(tmp_path):
    """An exclamation mark, a percent sign and a question mark mean something to libraries that take addresses."""
    folder = line_folder(tmp_path / "a.zip!b?c=%41#d", towers_csv=None)
    geopackage(tmp_path / "towers.gpkg").rename(folder / "towers.gpkg")
    assert len(load(folder).towers) == 3
    assert [name for name, _ in gis.layers(folder / "towers.gpkg")] == ["towers"]


# ---- no file, a file outside, a file without end: every way in


def refused(folder, error=TowerlibError):
    begun = time.process_time()
    with pytest.raises(error) as caught:
        load(folder)
    assert time.process_time() - begun < 20
    assert "\n" not in str(caught.value)
    return str(caught.value)


NAMES = [
    "line.toml",
    "limits.csv",
    "towers.csv",
    "towers.xlsx",
    "towers.parquet",
    "towers.gpkg",
    "towers.geojson",
    "context/a.gpkg",
]


def without(place, name):
    """A line folder that lacks one file, to be put there as something else."""
    files = {"limits_csv": "limit_ohm\n12\n", "line_toml": LINE + '[limits]\nrules = "limits.csv"\n'}
    if name.startswith("towers"):
        files["towers_csv"] = None
    if name in ("limits.csv", "line.toml"):
        files[name.replace(".", "_")] = None
    folder = line_folder(place, **files)
    (folder / name).parent.mkdir(exist_ok=True)
    return folder, folder / name


@pytest.mark.parametrize("name", NAMES)
def test_a_pipe_is_no_file(tmp_path, name):
    folder, path = without(tmp_path / "low-moor", name)
    os.mkfifo(path)
    said = refused(folder)
    assert path.name in said
    assert "is not a file" in said
    check = CliRunner().invoke(cli.app, ["check", str(folder), "--reports", str(tmp_path / "reports")])
    assert check.exit_code == 2
    assert "is not a file" in check.output


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("target", ["/dev/zero", "/etc/passwd", "../outside", "nowhere"])
def test_a_link_that_leads_out_is_not_followed(tmp_path, name, target):
    (tmp_path / "outside").write_text("unseen words")
    folder, path = without(tmp_path / "low-moor", name)
    path.symlink_to(target if target != "../outside" else tmp_path / "outside")
    said = refused(folder)
    assert "a link" in said
    assert "unseen" not in said
    assert "root:" not in said
    check = CliRunner().invoke(cli.app, ["check", str(folder), "--reports", str(tmp_path / "reports")])
    assert check.exit_code == 2
    assert "a link" in check.output


@pytest.mark.parametrize("name", ["../outside.csv", "{}/outside.csv", "sub/../../outside.csv"])
def test_limits_outside_the_folder_are_not_read(tmp_path, name):
    (tmp_path / "outside.csv").write_text("unseen words\n1\n")
    folder = line_folder(
        tmp_path / "low-moor", line_toml=LINE + f'[limits]\nrules = "{name.format(tmp_path)}"\n'
    )
    said = refused(folder, SettingsError)
    assert "name a file in the line folder itself" in said
    assert "unseen" not in said


def test_settings_and_limits_without_end_are_refused(tmp_path):
    """Sparse files: they take no disk, and would take this much memory."""
    for name in ("line.toml", "limits.csv"):
        folder, path = without(tmp_path / name, name)
        with path.open("wb") as file:
            file.truncate(1_500_000_000)
        assert "at most" in refused(folder, SettingsError)


CRS = ["+init={}:1", "init={}:1", "+proj=utm +zone=36 +nadgrids={}", "+proj=pipeline +step +init={}:1"]


@pytest.mark.parametrize("crs", CRS)
def test_a_system_that_names_a_file_is_refused(tmp_path, crs):
    os.mkfifo(tmp_path / "pipe")
    line = LINE + f'crs = "{crs.format(tmp_path / "pipe")}"\n'
    said = refused(line_folder(tmp_path / "low-moor", line_toml=line), SettingsError)
    assert "crs" in said


def test_a_line_of_a_portfolio_whose_settings_are_no_file_is_named(tmp_path):
    line_folder(tmp_path / "lines" / "a")
    other = line_folder(tmp_path / "lines" / "b", line_toml=None)
    os.mkfifo(other / "line.toml")
    said = CliRunner().invoke(cli.app, ["check", str(tmp_path / "lines"), "--reports", str(tmp_path / "r")])
    assert said.exit_code == 2
    assert "line.toml is not a file" in said.output

"""GeoPackage and GeoJSON, each read as the format of its name and as nothing else.

A library that detects the format of a file would also open a virtual dataset, which reads other files, or the
description of a web service, which sends requests. Therefore GeoJSON is read as JSON, and only bytes that are a
GeoPackage reach GDAL.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from towerlib.errors import RecordsError
from towerlib.safe_files import LARGEST_GIS, content

if TYPE_CHECKING:
    from types import ModuleType

    import geopandas
    from pyproj import CRS

# formats of GDAL that read other files or the network; towers never come in these
SKIPPED = (
    "VRT OGR_VRT GDALG GTI WFS OAPIF OGCAPI CSW WCS WMS WMTS HTTP Elasticsearch Carto AmigoCloud PLSCENES PLMosaic "
    "NGW EEDA EEDAI DAAS STACIT STACTA ADBC GeoRSS GPSBabel"
)
OPTIONS = {
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",  # the only address that its network file systems may open
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "OGR_SQLITE_ALLOW_EXTERNAL_ACCESS": "NO",
    "OGR_SQLITE_LIST_VIRTUAL_OGR": "NO",
}
_SQLITE = b"SQLite format 3\0"
_NONE = "cannot be read as a GeoPackage; save it again as GeoPackage, or remove it from the folder"
_APPLICATIONS = (b"GPKG", b"GP10", b"GP11")
_CODES = re.compile(
    r"(?:urn:(?:x-)?ogc:def:crs:)?[A-Za-z]{3,8}:(?:[0-9.]*:)?[A-Za-z]{0,4}[0-9]{2,8}|"
    r"https?://www\.opengis\.net/def/crs/(?:EPSG|OGC)/[0-9.]+/[A-Za-z]{0,4}[0-9]{2,8}"
)
_SHAPES = {"Feature", "FeatureCollection"}


def read_geojson(path: Path, folder: Path) -> geopandas.GeoDataFrame:
    """Features of a GeoJSON file; without a stated coordinate system in WGS 84 (RFC 7946), with ``"crs": null`` in none."""
    import geopandas
    from shapely.geometry import shape

    whole = _json(content(path, folder, LARGEST_GIS))
    features = [whole] if whole["type"] == "Feature" else whole.get("features")
    if not isinstance(features, list) or not all(isinstance(one, dict) for one in features):
        raise RecordsError("is not GeoJSON: it lists no features; save it again as GeoJSON")
    rows = [one.get("properties") or {} for one in features]
    if not all(isinstance(row, dict) for row in rows):
        raise RecordsError("is not GeoJSON: properties of a feature have no names; save it again as GeoJSON")
    table = pd.DataFrame(rows, index=range(len(rows))).drop(columns="geometry", errors="ignore")
    table = pd.DataFrame({name: _plain(table[name]) for name in table}, index=table.index)
    shapes = cast("Any", [shape(one["geometry"]) if one.get("geometry") else None for one in features])
    return geopandas.GeoDataFrame(table, geometry=geopandas.GeoSeries(shapes, table.index, crs=_crs(whole)))


def _json(text: bytes) -> dict[str, Any]:
    """The outer object of a GeoJSON text."""
    try:
        whole = json.loads(text.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        whole = None
    if not (isinstance(whole, dict) and whole.get("type") in _SHAPES):
        raise RecordsError("is not GeoJSON with features; save it again as GeoJSON")
    return whole


def _plain(column):
    """Values of one property: numbers and booleans unchanged, everything else as text."""
    if column.dtype != object and str(column.dtype) != "str":
        return column
    kinds = {type(value) for value in column.dropna()}
    if kinds and kinds <= {int, float}:
        return column.astype(float)
    return column.map(_text, na_action="ignore").astype("str")


def _text(value: Any) -> str:
    """One property as text; a nested value stays JSON."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return f"{value:.0f}"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _crs(whole: dict[str, Any]) -> CRS | str | None:
    """The coordinate system of a GeoJSON: a code, WGS 84 when not stated, None when stated as unknown."""
    stated = whole.get("crs", {"type": "name", "properties": {"name": "EPSG:4326"}})
    if stated is None:
        return None
    mend = "write it as longitude and latitude in WGS 84, or name a code such as EPSG:32736"
    kind = stated.get("type") if isinstance(stated, dict) else None
    if kind == "link":
        raise RecordsError(f"gives its coordinate system as a link, which is not followed; {mend}")
    properties = stated.get("properties") if kind == "name" else None
    name = properties.get("name") if isinstance(properties, dict) else None
    if not (isinstance(name, str) and _CODES.fullmatch(name)):
        raise RecordsError(f"does not give its coordinate system by a code; {mend}")
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_user_input(name)
    except CRSError:
        raise RecordsError(f"names the unknown coordinate system {name!r}; {mend}") from None


def read_layers(
    path: Path,
    folder: Path,
    names: Callable[[list[tuple[str, str | None]]], list[str]] | None = None,
    **options: Any,
) -> dict[str, pd.DataFrame]:
    """Layers of a GeoPackage as tables; GeoDataFrames where a layer has a geometry.

    `names` gives from the list of `layers` those to read (else all), `options` are for `pyogrio.read_dataframe`.
    `RecordsError` where it is not a GeoPackage, or contains more than tables; the caller puts the name of the file in
    front.
    """
    with _alone(geopackage(path, folder)) as copy:
        there = [(str(name), shape) for name, shape in library().list_layers(copy)]
        wanted = names(there) if names else [name for name, _ in there]
        return {name: library().read_dataframe(copy, layer=name, **options) for name in wanted}


def layers(path: Path, folder: Path | None = None) -> list[tuple[str, str | None]]:
    """Name and kind of geometry (None: a table without) of each layer of a GeoPackage; errors as for `read_layers`."""
    with _alone(geopackage(path, folder or path.parent)) as copy:
        return [(str(name), shape) for name, shape in library().list_layers(copy)]


@contextmanager
def _alone(book: bytes) -> Iterator[Path]:
    """A GeoPackage as the only file of a new folder, with a path without any sign that GDAL interprets."""
    with tempfile.TemporaryDirectory(prefix="towerlib-") as place:
        copy = Path(place) / "layers.gpkg"
        copy.write_bytes(book)
        yield copy


def geopackage(path: Path, folder: Path) -> bytes:
    """Bytes of a GeoPackage that contains only tables: a view or virtual table may run endlessly or read other files.

    Source: OGC 12-128 (GeoPackage 1.3), clause 1.1.1: the header of SQLite, and the application id at its place.
    """
    for ending in ("-wal", "-journal"):
        beside = path.with_name(path.name + ending)
        if os.path.lexists(beside) and beside.lstat().st_size:
            raise RecordsError(
                f"is open in another program or was not closed: {beside.name} contains changes that are missing in it; "
                "close it in that program"
            )
    book = content(path, folder, LARGEST_GIS)
    if not (book.startswith(_SQLITE) and book[68:72] in _APPLICATIONS):
        raise RecordsError(_NONE)
    book = book[:18] + b"\1\1" + book[20:]  # no journal: changes beside the file were excluded above
    try:
        _insist_on_tables(book)
    except sqlite3.Error:
        raise RecordsError(_NONE) from None
    return book


def _insist_on_tables(book: bytes) -> None:
    """Refuse a GeoPackage in which a listed layer is more than a table of values."""
    with closing(sqlite3.connect(":memory:")) as tables:
        tables.deserialize(book)
        tables.execute("PRAGMA trusted_schema = OFF")
        objects = tables.execute("SELECT type, name, sql FROM sqlite_schema").fetchall()
        plain = {name.lower() for kind, name, _ in objects if kind == "table"}
        for kind, name, sql in objects:
            _insist_on_table(kind, name, sql or "", plain)
        if "gpkg_contents" not in plain:
            raise RecordsError(_NONE)
        for (name,) in tables.execute("SELECT table_name FROM gpkg_contents").fetchall():
            if str(name).lower() not in plain:
                raise RecordsError(
                    f"holds the layer {name!r}, which is not a table; save it as a layer of its own"
                )
            columns = tables.execute("SELECT count(*) FROM pragma_table_xinfo(?) WHERE hidden > 1", (name,))
            if columns.fetchone()[0]:
                raise RecordsError(f"holds the layer {name!r} with a computed column; save its values")


def _insist_on_table(kind: str, name: str, sql: str, plain: set[str]) -> None:
    """Refuse a view in place of the GeoPackage's own tables, and any virtual table except the spatial index."""
    if kind == "view" and name.lower().startswith("gpkg_"):
        raise RecordsError(f"holds the view {name!r} in place of a table; save it again as GeoPackage")
    if re.match(r"\s*create\s+virtual\s+table", sql, re.IGNORECASE):
        if not re.search(r"\busing\s+rtree\s*\(", sql, re.IGNORECASE):
            raise RecordsError(f"holds the virtual table {name!r}; save its rows as a table of their own")
        plain.discard(name.lower())


def library() -> ModuleType:
    """`pyogrio` without the formats and file systems that lead out of a file, for the whole process.

    Formats are switched off when they register, so the whole package must import `pyogrio` from here.
    """
    skipped = os.environ.get("GDAL_SKIP")
    os.environ["PROJ_NETWORK"] = "OFF"
    os.environ["GDAL_SKIP"] = f"{skipped or ''} {SKIPPED}".strip()
    try:
        import pyogrio
    finally:  # a child process may have another GDAL that does not know all these formats
        if skipped is None:
            del os.environ["GDAL_SKIP"]
        else:
            os.environ["GDAL_SKIP"] = skipped

    pyogrio.set_gdal_config_options(OPTIONS)
    return pyogrio

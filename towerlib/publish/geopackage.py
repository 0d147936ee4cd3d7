"""The line as a GeoPackage: towers with their condition and plan, spans, route, and how a GIS draws them."""

import sqlite3
from contextlib import closing

import pandas as pd
import pyarrow

from towerlib.publish import gis_style
from towerlib.publish.cautions import CAUTIONS
from towerlib.publish.workbook_columns import in_currency, label, one_line
from towerlib.records import gis

LAYERS = ("towers", "spans", "route")
OF_CONDITION = [  # of the condition, beside the columns of the priority list
    *("impedance_class", "lower_bound_ohm", "target_ohm", "trip_outs_low", "trip_outs_high"),
    *("plan_year", "bond_state", "occupancy"),
]
TITLES = {
    "towers": "Towers: footing, leg currents, touch screen, trip-outs, plan and next step",
    "spans": "Spans and what is suspected of them; suspected means inspect",
    "route": "Route from the first tower to the last",
}
DAY = pyarrow.date32()
WHEN = "2000-01-01T00:00:00.000Z"  # fixed: same input, same bytes
SCHEMA = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME);
"""
VERSION = "1.3"  # read by every GIS of the last years; 1.4 is not yet
EXTENSION = "http://www.geopackage.org/spec121/#extension_schema"


def write(route, priority, path, suspicion=None, *, condition=None, line=None):
    """Write the three layers of a line, in the projected coordinate system of its route, with their styles.

    Parameters
    ----------
    route : Route
        Towers and spans.
    priority : pandas.DataFrame
        Joined to the towers by tower_id.
    path : path
        ``.gpkg``; an existing file is replaced.
    suspicion : pandas.DataFrame, optional
        What is suspected of each span, joined by from_tower_id and to_tower_id.
    condition : pandas.DataFrame, optional
        One row a tower: class, bounds, bond and year of the plan are taken from it.
    line : Line, optional
        Its title stands with the layers, its currency with sums of money.

    Notes
    -----
    The layer "route" is one line through all towers. A line of one tower has no spans and no route: both layers
    are there and empty. QGIS opens each layer with the first of its stored styles; names, units and meanings of the
    columns stand in ``gpkg_data_columns``, cautions in ``gpkg_metadata``.
    """
    import geopandas
    from shapely.geometry import LineString

    places = route.towers.drop(columns=["latitude_deg", "longitude_deg"])
    towers = places.merge(priority, on="tower_id", validate="1:1")
    if condition is not None:
        told = condition.reindex(columns=["tower_id", *OF_CONDITION])
        towers = towers.merge(told, on="tower_id", how="left", validate="1:1")
    towers = geopandas.GeoDataFrame(towers, geometry="geometry", crs=route.crs)
    points = list(route.towers.geometry)
    whole = {"line_id": [priority["line_id"].iloc[0]], "length_km": [route.length_m / 1000]}
    through = geopandas.GeoDataFrame(
        whole, geometry=[LineString(points) if len(points) > 1 else None], crs=route.crs
    )
    through = through[through.geometry.notna()]
    layers = dict(zip(LAYERS, (towers, _with_suspicion(route.spans, suspicion), through), strict=True))
    _write_layers(layers, path, line)
    columns = {name: [column for column in layer if column != "geometry"] for name, layer in layers.items()}
    currency = one_line(line.plan.currency) if line is not None else ""
    _add_words(path, columns, currency)


def _with_suspicion(spans, suspicion):
    """Spans with what is suspected of each."""
    if suspicion is None:
        return spans
    ends = ["from_tower_id", "to_tower_id"]
    told = suspicion.drop(columns=[name for name in suspicion if name in spans and name not in ends])
    return spans.merge(told, on=ends, how="left", validate="1:1")


def _write_layers(layers, path, line):
    """Geometry and columns."""
    pyogrio = gis.library()
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WHEN})
    for name, layer in layers.items():
        of_line = f"{one_line(line.title)}: " if line is not None else ""
        pyogrio.write_dataframe(
            _plain(layer),
            path,
            layer=name,
            driver="GPKG",
            use_arrow=True,  # the only way to write a day without a time
            geometry_type="Point" if name == "towers" else "LineString",
            append=path.exists(),
            dataset_options={} if path.exists() else {"VERSION": VERSION},
            layer_options={"DESCRIPTION": of_line + TITLES[name]},
            layer_metadata={f"CAUTION_{number}": text for number, text in enumerate(CAUTIONS, start=1)},
        )


def _plain(layer):
    """Columns in types that a GeoPackage has: yes and no as 1 and 0, days as days without a time."""
    yes_no = {name: "Int64" for name in layer if isinstance(layer[name].dtype, pd.BooleanDtype)}
    days = {name: layer[name].dt.date for name in layer if str(layer[name].dtype).startswith("datetime64")}
    return layer.astype(yes_no).assign(**{name: day.astype(pd.ArrowDtype(DAY)) for name, day in days.items()})


def _add_words(path, columns, currency):
    """Names, units and meanings of the columns, and the styles."""
    with closing(sqlite3.connect(path)) as book, book:
        book.executescript(SCHEMA)
        tables = [("gpkg_data_columns",), ("gpkg_data_column_constraints",)]
        insert = f"INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', '{EXTENSION}', 'read-write')"
        book.executemany(insert, tables)
        for layer, names in columns.items():
            for name in names:
                book.execute(
                    "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)",
                    (layer, name, *_named(layer, name, currency)),
                )
        book.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
            "VALUES ('layer_styles', 'attributes', 'layer_styles', 'How a GIS draws the layers', ?)",
            (WHEN,),
        )
        first = set()
        for layer, style, about, qml in gis_style.styles(columns):
            book.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
                "styleName, styleQML, styleSLD, useAsDefault, description, owner, update_time) "
                "VALUES ('', '', ?, 'geom', ?, ?, '', ?, ?, '', ?)",
                (layer, style, qml, layer not in first, about, WHEN),
            )
            first.add(layer)


def _named(layer, name, currency):
    """Name, title and description of a column."""
    about = gis_style.described(layer)[name]
    title = label(name, in_currency(about["unit"], currency))
    return title, title, about["meaning"]

"""The GIS file of a line: layers towers, spans and route as GeoPackage, with styles and cautions.

QGIS opens each layer with its first style: towers by class of the footing or by queue, spans by suspicion. Colours,
markers and labels come from `towerlib.report.style`; names, units and meanings of the columns from the data dictionary.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import pandas as pd
import pyarrow
from matplotlib.colors import to_rgba

from towerlib.records import gis
from towerlib.report import style, tower_marks
from towerlib.report.cautions import CAUTIONS
from towerlib.report.column_labels import dictionary, in_currency, label
from towerlib.report.style import FAINT, INK
from towerlib.text import one_line

if TYPE_CHECKING:
    from towerlib.config import Line
    from towerlib.route import Route

VERSION = "3.22.0"  # of the form of the file; later versions read it
HEAD = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
NAMED_FROM = 60_000  # towers are named on maps of this scale and larger ones
POINT, LINE = "0", "1"  # numbers of the shapes of a layer
OTHERS = ""  # value of a category that takes what no other does

MM = 2.6  # diameter of a mark of size 1


@dataclass(frozen=True)
class Symbol:
    """One category: markers on top of each other or the dashes of a line, colour, size [mm], label."""

    shapes: tuple[str, ...]
    colour: str
    size_mm: float
    label: str


def marker(look: style.Look, label: str = "") -> Symbol:
    """A class of towers as QGIS draws it.

    >>> marker(style.CLASSES["good"]).shapes
    ('circle',)
    """
    return Symbol(style.SHAPES[look.shape].qgis, look.colour, round(MM * look.size, 2), label or look.label)


UNKNOWN = {
    name: Symbol(("cross",), INK, 2.2, f"{name} not known") for name in ("class", "queue")
}  # what no other category takes
CLASSES = {
    name: marker(look) for name, look in style.CLASSES.items() if name != "above limit, lower limit only"
}
CLASSES |= {OTHERS: UNKNOWN["class"]}
QUEUES = {name: marker(look) for name, look in style.QUEUES.items()} | {OTHERS: UNKNOWN["queue"]}
SPANS = {
    name: Symbol((stroke.dashes,), stroke.colour, stroke.width_mm, stroke.label)
    for name, stroke in style.SPANS.items()
} | {OTHERS: Symbol(("dash dot",), FAINT, 0.4, "no scan")}


def styles(
    columns: Mapping[str, Sequence[str]], condition: pd.DataFrame | None = None
) -> list[tuple[str, str, str, str]]:
    """Styles of every layer as layer, name, meaning and QML, the first of a layer the one it opens with."""
    labels = {} if condition is None else tower_marks.class_labels(condition)
    classes = {name: replace(look, label=labels.get(name, look.label)) for name, look in CLASSES.items()}
    wished = [
        ("towers", "impedance class", "impedance_class", classes, "Footing against its target and limit"),
        ("towers", "queue", "queue", QUEUES, "Queue of the priority list"),
        ("spans", "suspicion", "span_scan", SPANS, "Spans in which the shield wire is suspected"),
    ]
    found = [
        (layer, name, about, _document(layer, columns[layer], _categories(layer, column, looks)))
        for layer, name, column, looks, about in wished
        if column in columns[layer]
    ]
    plain = {"spans": Symbol(("solid",), FAINT, 0.4, ""), "route": Symbol(("solid",), INK, 0.6, "")}
    styled = {layer for layer, *_ in found}
    found += [
        (layer, "plain", "One line", _document(layer, columns[layer], _single(look)))
        for layer, look in plain.items()
        if layer not in styled
    ]
    return found


def _document(layer, columns, renderer):
    """QML of a layer: how it is drawn, its names of columns, labels of towers."""
    towers = layer == "towers"
    root = ElementTree.Element("qgis", version=VERSION, labelsEnabled=str(int(towers)))
    root.append(renderer)
    if towers:
        root.append(_labels("tower_id"))
    aliases = ElementTree.SubElement(root, "aliases")
    for place, name in enumerate(columns):
        about = described(layer)[name]
        # the key of a GeoPackage is a column of its own, in front of the others
        words = {"index": str(place + 1), "field": name, "name": label(name, about["unit"])}
        ElementTree.SubElement(aliases, "alias", words)
    ElementTree.SubElement(root, "previewExpression").text = f'"{columns[0]}"'
    ElementTree.SubElement(root, "layerGeometryType").text = POINT if towers else LINE
    ElementTree.indent(root)
    return HEAD + ElementTree.tostring(root, encoding="unicode")


def described(layer: str) -> dict[str, dict[str, str]]:
    """Meaning of the columns of a layer."""
    own = dictionary(f"layer {layer}")
    return dictionary() | own if layer == "towers" else own


def _categories(layer, column, looks):
    """Renderer with one mark for each word of a column."""
    renderer = _renderer("categorizedSymbol", attr=column)
    categories = ElementTree.SubElement(renderer, "categories")
    symbols = ElementTree.SubElement(renderer, "symbols")
    for number, (value, look) in enumerate(looks.items()):
        words = {
            "value": value,
            "label": look.label,
            "symbol": str(number),
            "render": "true",
            "type": "string",
        }
        ElementTree.SubElement(categories, "category", words)
        symbols.append(_symbol(number, look, "marker" if layer == "towers" else "line"))
    return renderer


def _single(look):
    """Renderer with one stroke for all."""
    renderer = _renderer("singleSymbol")
    ElementTree.SubElement(renderer, "symbols").append(_symbol(0, look, "line"))
    return renderer


def _renderer(kind, **more):
    """Renderer without symbols."""
    plain = {"enableorderby": "0", "forceraster": "0", "symbollevels": "0"}
    return ElementTree.Element("renderer-v2", {"type": kind} | more | plain)


def _symbol(number: int, look: Symbol, kind: str) -> ElementTree.Element:
    """One mark or stroke; a mark of several shapes has a layer for each, the later ones small and white."""
    symbol = ElementTree.Element("symbol", {"type": kind, "name": str(number), "alpha": "1"})
    for place, shape in enumerate(look.shapes):
        layer_class = "SimpleMarker" if kind == "marker" else "SimpleLine"
        layer = ElementTree.SubElement(
            symbol, "layer", {"class": layer_class, "enabled": "1", "pass": str(place), "locked": "0"}
        )
        colour, size = (look.colour, look.size_mm) if place == 0 else ("white", round(look.size_mm / 3, 2))
        size = round(0.7 * look.size_mm, 2) if shape == "cross2" else size
        props = {"name": shape, "color": _rgba(colour), "size": str(size), "size_unit": "MM"}
        props |= {"outline_color": _rgba(INK), "outline_width": "0.2", "outline_width_unit": "MM"}
        if kind == "line":
            props = {"line_color": _rgba(colour), "line_style": shape, "line_width": str(size)}
            props |= {"line_width_unit": "MM", "capstyle": "round", "joinstyle": "round"}
        for key, value in props.items():
            ElementTree.SubElement(layer, "prop", {"k": key, "v": value})
    return symbol


def _labels(column):
    """Names beside the towers, from a scale on at which there is room."""
    labeling = ElementTree.Element("labeling", type="simple")
    settings = ElementTree.SubElement(labeling, "settings")
    text = {"fieldName": column, "fontSize": "8", "fontSizeUnit": "Point", "textColor": _rgba(INK)}
    style = ElementTree.SubElement(settings, "text-style", text)
    buffer = {"bufferDraw": "1", "bufferSize": "0.8", "bufferSizeUnits": "MM", "bufferColor": _rgba("white")}
    ElementTree.SubElement(style, "text-buffer", buffer)
    ElementTree.SubElement(settings, "placement", {"placement": "6", "dist": "1", "distUnits": "MM"})
    scales = {"scaleVisibility": "1", "scaleMin": str(NAMED_FROM), "scaleMax": "1", "obstacle": "1"}
    ElementTree.SubElement(settings, "rendering", scales)
    return labeling


def _rgba(colour):
    """Colour as QGIS writes it."""
    return ",".join(str(round(255 * part)) for part in to_rgba(colour))


LAYERS = ("towers", "spans", "route")
OF_CONDITION = [  # of the condition, beside the columns of the priority list
    *("impedance_class", "lower_bound_ohm", "target_ohm", "trip_outs_low", "trip_outs_high"),
    *("bond_state", "occupancy"),
]
TITLES = {
    "towers": "Towers: footing, leg currents, touch-voltage screening, trip-outs, plan and next step",
    "spans": "Spans and suspected shield wires; suspected means inspect",
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
GEOPACKAGE_VERSION = "1.3"  # read by every GIS of the last years; 1.4 is not yet
EXTENSION = "http://www.geopackage.org/spec121/#extension_schema"


def write(
    route: Route,
    priority: pd.DataFrame,
    path: Path,
    suspicion: pd.DataFrame | None = None,
    *,
    condition: pd.DataFrame | None = None,
    line: Line | None = None,
) -> None:
    """Write the layers towers, spans and route, in the projected coordinate system of the route, with their styles.

    An existing file is replaced. A line of one tower has empty layers of spans and route. Names, units and meanings of
    the columns are in ``gpkg_data_columns``, cautions in ``gpkg_metadata``.
    """
    import geopandas
    from shapely.geometry import LineString

    places = route.towers.drop(columns=["latitude_deg", "longitude_deg"])
    towers = places.merge(priority, on="tower_id", validate="1:1")
    if condition is not None:
        kept = condition.reindex(columns=["tower_id", *OF_CONDITION])
        towers = towers.merge(kept, on="tower_id", how="left", validate="1:1")
    towers = geopandas.GeoDataFrame(towers, geometry="geometry", crs=route.crs)
    points = list(route.towers.geometry)
    whole = {"line_id": [priority["line_id"].iloc[0]], "length_km": [route.length_m / 1000]}
    shape: Any = [LineString(points) if len(points) > 1 else None]
    through = geopandas.GeoDataFrame(whole, geometry=shape, crs=route.crs)
    through = through[through.geometry.notna()]
    layers = dict(zip(LAYERS, (towers, _with_suspicion(route.spans, suspicion), through), strict=True))
    _write_layers(layers, path, line)
    columns = {name: [column for column in layer if column != "geometry"] for name, layer in layers.items()}
    currency = one_line(line.plan.currency) if line is not None else ""
    _add_words(path, columns, currency, condition)


def _with_suspicion(spans, suspicion):
    """Spans with the suspicion of each."""
    if suspicion is None:
        return spans
    ends = ["from_tower_id", "to_tower_id"]
    scan = suspicion.drop(columns=[name for name in suspicion if name in spans and name not in ends])
    return spans.merge(scan, on=ends, how="left", validate="1:1")


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
            dataset_options={} if path.exists() else {"VERSION": GEOPACKAGE_VERSION},
            layer_options={"DESCRIPTION": of_line + TITLES[name]},
            layer_metadata={f"CAUTION_{number}": text for number, text in enumerate(CAUTIONS, start=1)},
        )


def _plain(layer):
    """Columns in types that a GeoPackage has: yes and no as 1 and 0, days as days without a time."""
    yes_no = {name: "Int64" for name in layer if isinstance(layer[name].dtype, pd.BooleanDtype)}
    days = {name: layer[name].dt.date for name in layer if str(layer[name].dtype).startswith("datetime64")}
    return layer.astype(yes_no).assign(**{name: day.astype(pd.ArrowDtype(DAY)) for name, day in days.items()})


def _add_words(
    path: Path, columns: Mapping[str, Sequence[str]], currency: str, condition: pd.DataFrame | None
) -> None:
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
        for layer, style, about, qml in styles(columns, condition):
            book.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
                "styleName, styleQML, styleSLD, useAsDefault, description, owner, update_time) "
                "VALUES ('', '', ?, 'geom', ?, ?, '', ?, ?, '', ?)",
                (layer, style, qml, layer not in first, about, WHEN),
            )
            first.add(layer)


def _named(layer, name, currency):
    """Name, title and description of a column."""
    about = described(layer)[name]
    title = label(name, in_currency(about["unit"], currency))
    return title, title, about["meaning"]

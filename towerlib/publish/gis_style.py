"""Styles of the GIS layers, as QGIS keeps them: by class of the footing, by queue, by suspicion of the span."""

from xml.etree import ElementTree

from matplotlib.colors import to_rgba

from towerlib.publish import markers
from towerlib.publish.style import ALARM, COLOURS, FAINT, INK
from towerlib.publish.workbook_columns import dictionary, label

VERSION = "3.22.0"  # of the form of the file; later versions read it
HEAD = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
NAMED_FROM = 60_000  # towers are named on maps of this scale and larger ones
POINT, LINE = "0", "1"  # numbers of the shapes of a layer
OTHERS = ""  # value of a category that takes what no other does

CLASSES = {  # impedance class: shape, colour of the pictures, size [mm], words of the legend
    "good": ("circle", markers.MARKS["good"].colour, 2.6, "good: up to the target"),
    "acceptable": (
        "square",
        markers.MARKS["acceptable"].colour,
        2.8,
        "acceptable: above target, up to limit",
    ),
    "above limit": ("triangle", markers.MARKS["above limit"].colour, 4.0, "above limit"),
    "lower bound only": ("diamond", markers.MARKS["lower bound only"].colour, 3.4, "lower bound only"),
    "not tested": ("cross2", INK, 2.2, "not tested"),
    OTHERS: ("cross", INK, 2.2, "class not known"),
}
QUEUES = {
    "safety": ("star", COLOURS(0.97), 5.0, "safety: touch voltage to be checked on site"),
    "repair": ("triangle", COLOURS(0.8), 4.2, "repair"),
    "bond": ("diamond", COLOURS(0.55), 3.8, "bond: inspect"),
    "footing": ("square", COLOURS(0.3), 3.2, "footing: treatment"),
    "retest": ("pentagon", COLOURS(0.08), 3.2, "retest"),
    "none": ("circle", "white", 1.8, "nothing now"),
    OTHERS: ("cross", INK, 2.2, "queue not known"),
}
SPANS = {  # scan of the span: stroke, colour, width [mm], words
    "suspected": ("dash", ALARM, 1.6, "shield wire suspected broken: inspect"),
    "not testable": ("dot", FAINT, 0.5, "not testable"),
    "none": ("solid", FAINT, 0.4, "nothing suspected"),
    OTHERS: ("dash dot", FAINT, 0.4, "scan is off"),
}


def styles(columns):
    """Styles of every layer, the first of a layer the one it opens with.

    Parameters
    ----------
    columns : dict of str to list of str
        Layers and their columns, without the geometry.

    Returns
    -------
    list of (str, str, str, str)
        Layer, name of the style, what it shows, QML. A style whose column is missing is left out.
    """
    wished = [
        ("towers", "impedance class", "impedance_class", CLASSES, "Footing against its target and limit"),
        ("towers", "queue", "queue", QUEUES, "What is to be done first"),
        ("spans", "suspicion", "span_scan", SPANS, "Spans in which the shield wire is suspected"),
    ]
    found = [
        (layer, name, about, _document(layer, columns[layer], _categories(layer, column, looks)))
        for layer, name, column, looks, about in wished
        if column in columns[layer]
    ]
    plain = {"spans": ("solid", FAINT, 0.4, ""), "route": ("solid", INK, 0.6, "")}
    told = {layer for layer, *_ in found}
    found += [
        (layer, "plain", "One line", _document(layer, columns[layer], _single(look)))
        for layer, look in plain.items()
        if layer not in told
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
        told = described(layer)[name]
        # the key of a GeoPackage is a column of its own, in front of the others
        words = {"index": str(place + 1), "field": name, "name": label(name, told["unit"])}
        ElementTree.SubElement(aliases, "alias", words)
    ElementTree.SubElement(root, "previewExpression").text = f'"{columns[0]}"'
    ElementTree.SubElement(root, "layerGeometryType").text = POINT if towers else LINE
    ElementTree.indent(root)
    return HEAD + ElementTree.tostring(root, encoding="unicode")


def described(layer):
    """What the columns of a layer mean.

    Parameters
    ----------
    layer : {"towers", "spans", "route"}

    Returns
    -------
    dict of str to dict
    """
    own = dictionary(f"layer {layer}")
    return dictionary() | own if layer == "towers" else own


def _categories(layer, column, looks):
    """Renderer with one mark for each word of a column."""
    renderer = _renderer("categorizedSymbol", attr=column)
    categories = ElementTree.SubElement(renderer, "categories")
    symbols = ElementTree.SubElement(renderer, "symbols")
    for number, (value, look) in enumerate(looks.items()):
        told = {"value": value, "label": look[-1], "symbol": str(number), "render": "true", "type": "string"}
        ElementTree.SubElement(categories, "category", told)
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


def _symbol(number, look, kind):
    """One mark or stroke."""
    shape, colour, size, _ = look
    symbol = ElementTree.Element("symbol", {"type": kind, "name": str(number), "alpha": "1"})
    layer_class = "SimpleMarker" if kind == "marker" else "SimpleLine"
    layer = ElementTree.SubElement(
        symbol, "layer", {"class": layer_class, "enabled": "1", "pass": "0", "locked": "0"}
    )
    marker = {"name": shape, "color": _rgba(colour), "size": str(size), "size_unit": "MM"}
    marker |= {"outline_color": _rgba(INK), "outline_width": "0.2", "outline_width_unit": "MM"}
    line = {"line_color": _rgba(colour), "line_style": shape, "line_width": str(size)}
    line |= {"line_width_unit": "MM", "capstyle": "round", "joinstyle": "round"}
    for key, value in (marker if kind == "marker" else line).items():
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

"""One table of looks: a class has the same colour, label and marker in every output."""

import json
import re
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import openpyxl
import pandas as pd
import pytest
from folders import line_folder
from matplotlib.patches import Rectangle
from pictures import LINE, condition
from test_maps import route

from towerlib import assessment
from towerlib.report import condition_charts, gis, line_explorer, maps, style, workbook

# Names of markers: Bokeh's MarkerType and QGIS's simple markers, by hand from the manuals of both (from memory).
BOKEH = {
    "o": "circle",
    "s": "square",
    "^": "triangle",
    "D": "diamond",
    "v": "inverted_triangle",
    "h": "hex",
    "*": "star",
    "P": "plus",
}
QGIS = {
    "circle": "circle",
    "square": "square",
    "triangle": "triangle",
    "diamond": "diamond",
    "hex": "hexagon",
    "star": "star",
    "plus": "cross_fill",
}


def scatters(figure):
    """Drawn marks of a figure by class."""
    found = figure.findobj(mpl.collections.PathCollection)
    named = {(each.get_gid() or "").removeprefix("towers: "): each for each in found}
    return {name: each for name, each in named.items() if name in style.CLASSES and len(each.get_offsets())}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A line with a tower of every class: good, acceptable, above, both lower limits, not tested."""
    place = tmp_path_factory.mktemp("records") / "low-moor"
    towers = "tower_id,latitude_deg,longitude_deg\n" + "".join(
        f"{number},-31,{-20 + 0.003 * number:.3f}\n" for number in range(1, 7)
    )
    visits = (
        "visit_id,tower_id,date,method,impedance_ohm\nv1,1,2026-03-01,leg coils,4.2\n"
        "v2,2,2026-03-02,leg coils,9\nv3,3,2026-03-03,leg coils,40\nv4,4,2026-03-04,no coils,2\n"
        "v5,5,2026-03-05,no coils,60\n"
    )
    return assessment.assess(line_folder(place, towers_csv=towers, visits_csv=visits).parent / "low-moor")


@pytest.fixture(scope="module")
def explored(study):
    """Looks of the impedance layer of the explorer by label."""
    text = re.search(r'id="contents">(.*?)</script>', line_explorer.page(study), re.S)[1]
    layers = {layer["key"]: layer for layer in json.loads(text)["layers"]}
    return {name: {look["label"]: look for look in layer["looks"]} for name, layer in layers.items()}


@pytest.fixture(scope="module")
def categories(study):
    """Label, colour [#rrggbb] and markers of every category of the GIS styles, by style and value."""
    columns = {
        "towers": ["tower_id", "impedance_class", "queue"],
        "spans": ["span_id", "span_scan"],
        "route": [],
    }
    columns["route"] = ["line_id"]
    found = {}
    for _, name, _, qml in gis.styles(columns, study.condition):
        root = ElementTree.fromstring(qml)
        symbols = {}
        for symbol in root.iter("symbol"):
            layers = [
                {prop.get("k"): prop.get("v") for prop in layer.iter("prop")}
                for layer in symbol.iter("layer")
            ]
            colour = layers[0].get("color") or layers[0]["line_color"]
            parts = [int(part) / 255 for part in colour.split(",")[:3]]
            symbols[symbol.get("name")] = mpl.colors.to_hex(parts), [layer.get("name") for layer in layers]
        for category in root.iter("category"):
            found[name, category.get("value")] = category.get("label"), *symbols[category.get("symbol")]
    return found


def fills(study, tmp_path):
    """Fill of each word of a column of the priority list in the workbook."""
    workbook.write(study, tmp_path / "list.xlsx")
    page = openpyxl.load_workbook(tmp_path / "list.xlsx")["priority list"]
    names = [cell.value for cell in page[1]]
    found = {}
    for area in page.conditional_formatting:
        name = names[next(iter(area.sqref.ranges)).min_col - 1]
        for rule in area.rules:
            colour = rule.dxf.fill.bgColor.rgb[-6:].lower()
            found[name, rule.formula[0].strip('"')] = f"#{colour}"
    return found


@pytest.mark.parametrize(
    "draw",
    [
        lambda towers: maps.route_map(route(60), towers, LINE),
        lambda towers: condition_charts.route_profile(towers, LINE),
    ],
    ids=["map", "profile"],
)
def test_pictures_draw_the_colours_of_the_table(draw):
    figure = draw(condition(60))
    drawn = scatters(figure)
    assert set(drawn) == set(style.CLASSES)
    for name, marks in drawn.items():
        colours = {mpl.colors.to_hex(colour) for colour in marks.get_facecolors()}
        assert colours == {style.CLASSES[name].colour}, name
    legend = [text.get_text() for text in figure.legends[0].get_texts()]
    for look in style.CLASSES.values():
        assert any(re.match(rf"{look.label}(, up to \d+ Ω)? \(\d+\)$", text) for text in legend), look.label


def test_the_explorer_has_the_same_colour_label_and_marker(explored):
    told = {re.sub(", up to .*", "", label): look for label, look in explored["impedance"].items()}
    assert set(told) == {look.label for look in style.CLASSES.values()}
    for look in style.CLASSES.values():
        assert told[look.label]["colour"] == look.colour
        assert told[look.label]["marker"] == style.SHAPES[look.shape].bokeh
        assert told[look.label]["size"] == look.size


def test_gis_layers_have_the_same_colour_label_and_marker(categories, explored):
    for name in ("not tested", "good", "acceptable", "lower limit only", "above limit"):
        look, (label, colour, markers) = style.CLASSES[name], categories["impedance class", name]
        assert label in explored["impedance"]
        assert colour == look.colour
        assert tuple(markers) == style.SHAPES[look.shape].qgis
    for name, look in style.QUEUES.items():
        assert categories["queue", name][:2] == (look.label, look.colour)


def test_the_workbook_has_the_colours_of_the_gis_layer_and_the_explorer(
    study, categories, explored, tmp_path
):
    found = fills(study, tmp_path)
    for queue in ("safety", "repair", "bond", "footing", "retest"):
        assert found["queue", queue] == categories["queue", queue][1] == style.QUEUES[queue].colour
    for verdict in ("usable with caution", "not usable", "not tested"):
        assert found["verdict", verdict] == explored["verdict"][verdict]["colour"]


def test_a_suspected_span_looks_the_same_in_picture_and_gis(categories, study):
    spans = study.network.spans.assign(span_scan="suspected")
    figure = maps.route_map(study.route, study.condition, study.line, suspicion=spans)
    (entry,) = [text for text in figure.legends[0].get_texts() if "shield wire" in text.get_text()]
    label, colour, _ = categories["suspicion", "suspected"]
    assert entry.get_text() == label == style.SPANS["suspected"].label
    drawn = [line for line in figure.axes[0].lines if line.get_marker() == "x"]
    assert {mpl.colors.to_hex(line.get_color()) for line in drawn} == {colour}


@pytest.mark.parametrize("shape", [name for name in style.SHAPES if "with" not in name])
def test_a_marker_is_the_same_in_every_medium(shape):
    names = style.SHAPES[shape]
    assert BOKEH[names.matplotlib] == names.bokeh
    assert not names.qgis or names.qgis == (QGIS[names.bokeh],)


@pytest.mark.parametrize(("shape", "outside"), [("triangle", "^"), ("diamond", "D")])
def test_a_dotted_marker_is_the_plain_one_with_a_hole(shape, outside):
    """The hole runs against the outline: both areas differ in sign, so the fill leaves the hole out."""
    path = style.SHAPES[f"{shape} with dot"].matplotlib
    outline, hole = path.to_polygons()
    areas = [np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) / 2 for x, y in (outline.T, hole.T)]
    assert areas[0] * areas[1] < 0
    assert abs(areas[1]) < abs(areas[0]) / 3  # the outline is still what is seen
    plain, dotted = style.SHAPES[shape], style.SHAPES[f"{shape} with dot"]
    assert dotted.bokeh == f"{plain.bokeh}_dot"
    assert dotted.qgis == (*plain.qgis, "circle")


@pytest.mark.parametrize(
    "looks",
    [
        style.CLASSES,
        style.QUEUES,
        style.VERDICTS,
        style.BONDS,
        {name: look for name, (_, look) in style.GAPS.items()},
        {name: look for name, (_, look) in style.RATES.items()},
        style.years(8),
    ],
    ids=["classes", "queues", "verdicts", "bonds", "gaps", "rates", "years"],
)
def test_shape_alone_tells_classes_apart(looks):
    assert len({look.shape for look in looks.values()}) == len(looks)


def test_bars_take_a_lighter_tone_of_the_same_colour_and_hatch_lower_limits():
    towers = condition(60).query("impedance_class != 'not tested'")
    towers = towers.assign(impedance_rank=pd.array(range(1, len(towers) + 1), "Int64"))
    axes = condition_charts.ranked_bars(towers, LINE, top=40).axes[0]
    kinds = condition_charts.tower_marks.with_value(towers)["kind"].head(40)
    for bar, kind in zip(axes.findobj(Rectangle)[: len(kinds)], kinds, strict=True):
        assert bar.get_facecolor()[:3] == pytest.approx(style.tint(style.CLASSES[kind].colour))
        assert bool(bar.get_hatch()) is style.CLASSES[kind].bounded

"""Maps: to scale, turned to true north, every tower on them; no snapshots of pixels."""

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from pictures import LINE, condition, crowded, drawn, png, words, written
from pyproj import Geod, Transformer
from shapely import GeometryCollection, LinearRing, LineString, MultiPolygon, Point, Polygon, box

from towerlib.errors import SettingsError
from towerlib.report import map_elements, maps
from towerlib.route import build
from towerlib.text import plain

ELLIPSOID = Geod(ellps="WGS84")
BEARINGS = {  # of the span after each tower
    "north": lambda k: 0.0,
    "east": lambda k: 90.0,
    "zigzag": lambda k: 30.0 if (k // 12) % 2 else 120.0,
    "loop": lambda k: 3.0 * k,
}


def route(count, way="zigzag", *, start=(31.2, -17.8), crs=None, ids="T{}"):
    """Invented route of spans of 350 m."""
    places = [start]
    for k in range(count - 1):
        places.append(ELLIPSOID.fwd(*places[-1], BEARINGS[way](k), 350.0)[:2])
    longitude, latitude = np.array(places).T
    towers = {
        "tower_id": [ids.format(k + 1) for k in range(count)],
        "sequence": np.arange(count, dtype="float64"),
    }
    register = pd.DataFrame(towers | {"latitude_deg": latitude, "longitude_deg": longitude})
    return build(register, LINE.model_copy(update={"crs": crs}))


def panel(figure):
    """Axes of the map."""
    return figure.axes[0]


def bar_m(figure, crs):
    """True length between the ends of the scale bar, laid across the middle of the map."""
    halves = [shape for shape in figure.artists if shape.get_gid() == "scale bar"]
    pixels = sum(half.get_window_extent().width for half in halves)
    axes = panel(figure)
    left, bottom, right, top = axes.bbox.extents
    middle = np.array([left + right, bottom + top]) / 2
    half = np.array([pixels / 2, 0])
    ends = axes.transData.inverted().transform([middle - half, middle + half])
    longitude, latitude = Transformer.from_crs(crs, 4326, always_xy=True).transform(*ends.T)
    return ELLIPSOID.inv(longitude[0], latitude[0], longitude[1], latitude[1])[2]


def bar_words_m(figure):
    """Length that is written at the end of the scale bar."""
    halves = [shape for shape in figure.artists if shape.get_gid() == "scale bar"]
    end = max(half.get_window_extent().x1 for half in halves)
    renderer = figure.canvas.get_renderer()
    unit = {" km": 1000.0, " m": 1.0}
    for text in figure.texts:
        for ending, metres in unit.items():
            reach = text.get_window_extent(renderer)
            beside = reach.x0 <= end <= reach.x1 and abs(reach.y0 - halves[0].get_window_extent().y1) < 20
            if beside and text.get_text().endswith(ending):
                return float(text.get_text().removesuffix(ending)) * metres
    raise AssertionError("no length at the scale bar")


# ---- every map


@pytest.mark.parametrize("by", ["impedance", "gap"])
@pytest.mark.parametrize(
    ("count", "way"), [(1, "east"), (60, "zigzag"), (140, "north"), (220, "east"), (100, "loop")]
)
def test_nothing_overlaps_or_leaves_the_page(count, way, by):
    figure = maps.route_map(route(count, way), condition(count), LINE, by=by)
    assert crowded(figure) == []
    wide, high = figure.get_size_inches() * 25.4
    assert wide <= 210 - 2 * 15  # ISO 216: A4 is 210 mm by 297 mm
    assert high <= 297 - 2 * 15


def test_long_names_fit():
    far = LINE.model_copy(update={"name": "A line with a name that never ends " * 6})
    figure = maps.route_map(route(60, ids="Section {} bis"), condition(60, ids="Section {} bis"), far)
    assert crowded(figure) == []


def test_every_tower_is_drawn_by_impedance():
    towers = condition(60)
    count = towers["impedance_class"].value_counts()
    assert drawn(maps.route_map(route(60), towers, LINE)) == {
        "good": count["good"],
        "acceptable": count["acceptable"],
        "upper limit only": count["upper limit only"],
        "above limit": count["above limit"] - 1,
        "above limit, lower limit only": 1,
        "lower limit only": count["lower limit only"],
        "not tested": count["not tested"],
    }


def test_every_tower_is_drawn_by_gap():
    towers = condition(60)
    expected = {}
    for fraction, ring in zip(towers["gap_fraction"], towers["ring"], strict=True):
        band = "not measured" if np.isnan(fraction) else "below 0" if fraction < 0 else "0 to 0.2"
        band = "0.2 to 0.5" if 0.2 <= fraction < 0.5 else "0.5 and more" if fraction >= 0.5 else band
        name = f"{band}, circled" if ring else band
        expected[name] = expected.get(name, 0) + 1
    assert drawn(maps.route_map(route(60), towers, LINE, by="gap")) == expected


def test_towers_without_a_reading_are_hollow():
    for by, name in (("impedance", "towers: not tested"), ("gap", "towers: not measured")):
        figure = maps.route_map(route(60), condition(60), LINE, by=by)
        (hollow,) = (a for a in figure.findobj(mpl.collections.PathCollection) if a.get_gid() == name)
        assert mpl.colors.to_hex(hollow.get_facecolor()[0]) == "#ffffff"


def test_stations_and_the_worst_tower_are_named():
    towers = condition(60)
    text = words(maps.route_map(route(60), towers, LINE))
    worst = towers.loc[towers["footing_ohm"].idxmax()]
    assert f"{worst['tower_id']}: {plain(worst['footing_ohm'])} Ω" in text
    assert "Brackwater" in text
    assert "Stonefell" in text


def test_same_bytes_every_time_and_nothing_of_the_caller_changed():
    laid, towers = route(40), condition(40)
    before = laid.towers.copy()
    with mpl.style.context(["dark_background", {"font.size": 20, "xtick.labelsize": 20}]):
        figure = maps.route_map(laid, towers, LINE)
        once = png(figure)
        assert once == png(figure)
    assert once == png(maps.route_map(laid, towers, LINE))
    assert plt.get_fignums() == []
    pd.testing.assert_frame_equal(towers, condition(40))
    pd.testing.assert_frame_equal(pd.DataFrame(laid.towers), pd.DataFrame(before))


def test_tower_ids_are_never_read_as_formulas():
    figure = maps.route_map(route(30, ids="${}^_x$"), condition(30, ids="${}^_x$"), LINE)
    png(figure)
    assert "$1^_x$" in words(figure)
    assert not any(text.get_parse_math() for text in written(figure))


@pytest.mark.parametrize("towers", [pd.DataFrame(), condition(8).iloc[:0]], ids=["no columns", "no rows"])
@pytest.mark.parametrize("by", ["impedance", "gap"])
def test_without_a_condition_every_tower_is_hollow(towers, by):
    figure = maps.route_map(route(30), towers, LINE, by=by)
    assert drawn(figure) == {"not tested" if by == "impedance" else "not measured": 30}
    assert crowded(figure) == []


def test_an_unknown_subject_is_refused():
    with pytest.raises(SettingsError, match="by = 'ohm': a route map shows 'impedance' or 'gap'"):
        maps.route_map(route(3), condition(3), LINE, by="ohm")


@pytest.mark.parametrize("by", ["impedance", "gap"])
@pytest.mark.parametrize(("count", "way"), [(60, "zigzag"), (220, "loop")])
def test_labels_lie_on_no_marker(count, way, by):
    figure = maps.route_map(route(count, way), condition(count), LINE, by=by)
    reach, renderer = [], figure.canvas.get_renderer()
    for some in figure.findobj(mpl.collections.PathCollection):
        if (some.get_gid() or "").startswith("towers: "):
            radius = np.sqrt(some.get_sizes()[0]) / 2 * figure.dpi / 72  # of the circle round the marker
            places = panel(figure).transData.transform(some.get_offsets())
            reach += [Point(place).buffer(radius) for place in places]
    labels = [text.get_window_extent(renderer).extents for text in figure.texts if text.get_gid() == "label"]
    assert len(labels) > 8
    assert not any(box(*label).intersects(marker) for label in labels for marker in reach)


# ---- to scale


@pytest.mark.parametrize(
    ("crs", "start"),
    [
        ("EPSG:32736", (31.2, -17.8)),  # UTM, 0.02 % off in the middle of the zone and more at its edge
        ("EPSG:32736", (29.9, -17.8)),
        ("EPSG:3857", (33.0, 68.0)),  # spherical Mercator: 2.67 times too long there
        ("EPSG:27700", (-1.0, 52.0)),
    ],
)
@pytest.mark.parametrize("count", [2, 60])
def test_scale_bar_is_a_true_round_length(crs, start, count):
    """Against the geodesic between its ends, Karney's algorithm in PROJ."""
    laid = route(count, "zigzag", start=start, crs=crs)
    figure = maps.route_map(laid, condition(count), LINE)
    said = bar_words_m(figure)
    assert f"{said:e}"[0] in "125"
    assert bar_m(figure, laid.crs) == pytest.approx(said, rel=1e-4)


@pytest.mark.parametrize("way", ["north", "east", "zigzag", "loop"])
def test_a_metre_is_as_long_north_as_east(way):
    axes = panel(maps.route_map(route(60, way), condition(60), LINE))
    (x0, y0), (x1, y1) = axes.transData.transform([(0, 0), (1000, 1000)])
    assert x1 - x0 == pytest.approx(y1 - y0, rel=1e-9)


# ---- true north


def test_arrow_points_to_true_north_and_the_foot_says_how_far_it_is_off():
    """East of the meridian, in the north, grid north lies east of true north: the arrow leans left."""
    laid = route(30, "north", start=(35.9, 63.0), crs="EPSG:32636")
    figure = maps.route_map(laid, condition(30), LINE)
    (arrow,) = (shape for shape in figure.artists if shape.get_gid() == "north arrow")
    tip, _, tail, _ = arrow.get_xy()[:4]
    lean = np.degrees(np.arctan2(*(tip - tail)))
    middle = laid.towers.geometry.iloc[15]
    assert lean == pytest.approx(-map_elements.convergence_deg(laid.crs, middle.x, middle.y), abs=0.05)
    assert f"its north lies {-lean:.2f}° east of true north" in words(figure)


# ---- chainage


@pytest.mark.parametrize("count", [10, 40, 75, 140])
def test_five_to_twelve_round_kilometres(count):
    figure = maps.route_map(route(count, "loop"), condition(count), LINE)
    marks = [line for line in panel(figure).lines if line.get_gid() == "chainage mark"]
    assert 5 <= len(marks) <= 12


def test_marks_stand_at_their_geodesic_distance():
    """On a straight line the geodesic distance to the first tower is the chainage."""
    laid = route(60, "east")
    figure = maps.route_map(laid, condition(60), LINE)
    marks = [line for line in panel(figure).lines if line.get_gid() == "chainage mark"]
    first = laid.towers.iloc[0]
    globe = Transformer.from_crs(laid.crs, 4326, always_xy=True)
    for number, mark in enumerate(marks, start=1):
        longitude, latitude = globe.transform(np.mean(mark.get_xdata()), np.mean(mark.get_ydata()))
        away = ELLIPSOID.inv(first["longitude_deg"], first["latitude_deg"], longitude, latitude)[2]
        assert away == pytest.approx(2000.0 * number, abs=1.0)


# ---- what lies elsewhere


def moved(laid, row, place, remark):
    """The same route with one tower elsewhere."""
    towers = laid.towers.copy()
    towers.loc[row, "place_remark"] = remark
    towers["geometry"] = [place if number == row else point for number, point in enumerate(towers.geometry)]
    return type(laid)(towers, laid.spans, laid.crs, laid.length_m, laid.remarks)


def test_a_doubtful_place_far_off_does_not_shrink_the_map():
    laid = route(40)
    usual = panel(maps.route_map(laid, condition(40), LINE)).get_xlim()
    figure = maps.route_map(moved(laid, 20, Point(0, 0), "far off"), condition(40), LINE)
    assert panel(figure).get_xlim() == pytest.approx(usual)
    assert "Outside the frame, place in doubt: T21." in words(figure)
    assert sum(drawn(figure).values()) == 39


def test_a_tower_without_a_place_is_named():
    figure = maps.route_map(moved(route(40), 20, Point(), "no position"), condition(40), LINE)
    assert "Not drawn, no position: T21." in words(figure)


def test_a_route_without_any_place_is_answered_in_words():
    figure = maps.route_map(moved(route(1, "east"), 0, Point(), "no position"), condition(1), LINE)
    assert "No tower of this line has a position" in words(figure)


@pytest.mark.parametrize(("longitude", "drawn_there"), [(31.19, True), (3.119, False)])
def test_a_station_stands_at_its_own_place_unless_that_is_absurd(longitude, drawn_there):
    first = LINE.stations.first.model_copy(update={"latitude_deg": -17.8, "longitude_deg": longitude})
    line = LINE.model_copy(update={"stations": LINE.stations.model_copy(update={"first": first})})
    laid = route(40)
    figure = maps.route_map(laid, condition(40), line)
    place = next(mark for mark in panel(figure).lines if mark.get_gid() == "station").get_xdata()[0]
    there = Transformer.from_crs(4326, laid.crs, always_xy=True).transform(longitude, -17.8)[0]
    assert place == pytest.approx(there if drawn_there else laid.towers.geometry.x.iloc[0])
    assert ("The position given for Brackwater lies far off" in words(figure)) is not drawn_there


# ---- surroundings and foot


def below(figure):
    """What is drawn under the route."""
    return [some for some in panel(figure).collections if some.get_zorder() < 2 and len(some.get_paths())]


def test_context_lies_under_the_line_in_the_grid_of_the_map():
    lake = gpd.GeoDataFrame(geometry=[box(31.21, -17.82, 31.24, -17.80)], crs=4326)
    lake.attrs["name"] = "lake"
    laid = route(40)
    usual = panel(maps.route_map(laid, condition(40), LINE)).get_xlim()
    figure = maps.route_map(laid, condition(40), LINE, context=[lake])
    (area,) = below(figure)
    bounds = area.get_paths()[0].get_extents().extents
    assert bounds == pytest.approx(lake.to_crs(laid.crs).total_bounds, abs=1)
    others = [some for some in panel(figure).collections if some is not area and len(some.get_paths())]
    assert area.get_zorder() < min(some.get_zorder() for some in others)
    assert panel(figure).get_xlim() == pytest.approx(usual)
    assert "lake" in words(figure)


def test_areas_in_collections_are_drawn_with_their_holes():
    """By hand: where a hole runs the other way round, the signed areas add up to 1000² − 600²."""
    laid = route(40)
    x, y = laid.towers.geometry.x.mean(), laid.towers.geometry.y.mean()
    outer, inner = box(x, y, x + 1000, y + 1000), box(x + 200, y + 200, x + 800, y + 800)
    island = Polygon(outer.exterior, [inner.exterior])  # both rings run the same way round
    nested = GeometryCollection([MultiPolygon([island]), Point(x, y), Point()])
    layer = gpd.GeoDataFrame(geometry=[nested, None], crs=laid.crs)
    (area,) = below(maps.route_map(laid, condition(40), LINE, context=[layer]))
    (path,) = area.get_paths()
    signed = sum(Polygon(ring).area * (1 if LinearRing(ring).is_ccw else -1) for ring in path.to_polygons())
    assert abs(signed) == pytest.approx(1000**2 - 600**2)


def test_lines_and_points_of_the_context_are_drawn():
    banks = [LineString([(31.1, -17.9), (31.3, -17.7)]), Point(31.2, -17.8), None]
    rivers = gpd.GeoDataFrame(geometry=banks, crs=4326)
    laid = route(40)
    figure = maps.route_map(laid, condition(40), LINE, context=[rivers])
    (lines,) = below(figure)
    expected = rivers.to_crs(laid.crs).geometry
    np.testing.assert_allclose(lines.get_segments()[0], expected.iloc[0].coords)
    (crosses,) = (line for line in panel(figure).lines if line.get_marker() == "+")
    np.testing.assert_allclose(crosses.get_xydata(), expected.iloc[1].coords)


@pytest.mark.parametrize(
    "crs", [None, 'LOCAL_CS["Undefined Cartesian SRS",UNIT["Meter",1]]'], ids=["none", "local"]
)
def test_context_that_is_nowhere_on_earth_is_counted_at_the_foot(crs):
    layer = gpd.GeoDataFrame(geometry=[Point(0, 0)], crs=crs)
    figure = maps.route_map(route(40), condition(40), LINE, context=[layer])
    assert below(figure) == []
    assert "Not drawn, context layers without a CRS: 1." in words(figure)


def test_foot_says_month_and_grid():
    laid = route(30)
    assert "As of 2026-04. Grid: WGS 84 / UTM zone 36S (EPSG:32736)" in words(
        maps.route_map(laid, condition(30), LINE, month="2026-04")
    )
    assert "Newest reading 2026-03." in words(maps.route_map(laid, condition(30), LINE))


def test_gap_is_defined_on_its_map():
    text = words(maps.route_map(route(30), condition(30), LINE, by="gap")).replace("\n", " ")
    assert "gap = arithmetic sum of leg currents − vector total; an indicator, not a fault" in text

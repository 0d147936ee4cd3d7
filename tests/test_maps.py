"""Maps: to scale, turned to true north, every tower on them; no snapshots of pixels."""

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from pyproj import CRS, Geod, Proj, Transformer
from shapely import LineString, Point, Polygon, box
from test_charts import LINE, condition, crowded, drawn, png, words, written

from towerlib.errors import SettingsError
from towerlib.publish import maps, style
from towerlib.route import lay

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
    return lay(register, LINE.model_copy(update={"crs": crs}))


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
        "above limit": count["above limit"] - 1,
        "above limit, lower bound": 1,
        "lower bound only": count["lower bound only"],
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
    assert f"{worst['tower_id']}: {style.plain(worst['footing_ohm'])} Ω" in text
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


def test_grid_length_in_the_middle_of_a_utm_zone():
    """UTM's scale factor on the central meridian is 0.9996 by definition (NGA.SIG.0012)."""
    assert maps.grid_metres(CRS("EPSG:32736"), 500000.0, 8000000.0, 1000.0) == pytest.approx(999.6, abs=0.001)


@pytest.mark.parametrize("way", ["north", "east", "zigzag", "loop"])
def test_a_metre_is_as_long_north_as_east(way):
    axes = panel(maps.route_map(route(60, way), condition(60), LINE))
    (x0, y0), (x1, y1) = axes.transData.transform([(0, 0), (1000, 1000)])
    assert x1 - x0 == pytest.approx(y1 - y0, rel=1e-9)


# ---- true north


@pytest.mark.parametrize(("longitude", "latitude"), [(30.2, -17.8), (33.0, 45.0), (35.9, 63.0), (31.0, -2.0)])
def test_convergence(longitude, latitude):
    """Against PROJ's own factors, and tan γ = tan(λ − 33°)·sin φ of the sphere (from memory)."""
    crs = CRS("EPSG:32736" if latitude < 0 else "EPSG:32636")
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude)
    turn = maps.convergence_deg(crs, x, y)
    assert turn == pytest.approx(Proj(crs).get_factors(longitude, latitude).meridian_convergence, abs=1e-5)
    sphere = np.degrees(np.arctan(np.tan(np.radians(longitude - 33)) * np.sin(np.radians(latitude))))
    assert turn == pytest.approx(sphere, abs=0.01)


def test_arrow_points_to_true_north_and_the_foot_says_how_far_it_is_off():
    """East of the meridian, in the north, grid north lies east of true north: the arrow leans left."""
    laid = route(30, "north", start=(35.9, 63.0), crs="EPSG:32636")
    figure = maps.route_map(laid, condition(30), LINE)
    (arrow,) = (shape for shape in figure.artists if shape.get_gid() == "north arrow")
    tip, _, tail, _ = arrow.get_xy()[:4]
    lean = np.degrees(np.arctan2(*(tip - tail)))
    middle = laid.towers.geometry.iloc[15]
    assert lean == pytest.approx(-maps.convergence_deg(laid.crs, middle.x, middle.y), abs=0.05)
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


def test_context_lies_under_the_line_in_the_grid_of_the_map():
    lake = gpd.GeoDataFrame(geometry=[Polygon(box(31.21, -17.82, 31.24, -17.80).exterior)], crs=4326)
    lake.attrs["name"] = "lake"
    banks = [LineString([(31.1, -17.9), (31.3, -17.7)]), Point(31.2, -17.8), None]
    rivers = gpd.GeoDataFrame(geometry=banks, crs=4326)
    unplaced = gpd.GeoDataFrame(geometry=[Point(0, 0)])
    laid = route(40)
    usual = panel(maps.route_map(laid, condition(40), LINE)).get_xlim()
    figure = maps.route_map(laid, condition(40), LINE, context=[lake, rivers, unplaced])
    area = next(patch for patch in panel(figure).patches if patch is not panel(figure).patch)
    assert area.get_extents().transformed(panel(figure).transData.inverted()).extents == pytest.approx(
        lake.to_crs(laid.crs).total_bounds, abs=1
    )
    assert area.get_zorder() < min(mark.get_zorder() for mark in panel(figure).collections)
    assert panel(figure).get_xlim() == pytest.approx(usual)
    assert "lake" in words(figure)
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

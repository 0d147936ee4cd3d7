"""Lengths and bearings against GeographicLib; order and questions on place against lines made by hand."""

from itertools import combinations, pairwise, permutations
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from towerlib.errors import RecordsError, SettingsError
from towerlib.route import angle_off_line, build, local_crs, nearest_span, probe_bearings

WGS84 = Geodesic.WGS84
REFERENCE = Path(__file__).parents[1] / "reference" / "geodesic.csv"


def line(crs=None, first=None, last=None):
    """Line settings as far as a route needs them; stations as (latitude, longitude) or None."""

    def station(name, place):
        latitude, longitude = place or (None, None)
        return SimpleNamespace(name=name, latitude_deg=latitude, longitude_deg=longitude)

    stations = SimpleNamespace(first=station("Brackwater", first), last=station("Stonefell", last))
    return SimpleNamespace(crs=crs, stations=stations)


def register(latitude, longitude, sequence=None):
    """Towers T1, T2, … in the order given."""
    count = len(latitude)
    return pd.DataFrame(
        {
            "tower_id": [f"T{place}" for place in range(1, count + 1)],
            "latitude_deg": latitude,
            "longitude_deg": longitude,
            "sequence": np.arange(1.0, count + 1) if sequence is None else sequence,
        }
    )


def walk(steps, start=(-1.2, 36.5)):
    """Towers along (azimuth where the step begins, length) steps, by GeographicLib's direct problem."""
    places = [start]
    for azimuth, length in steps:
        end = WGS84.Direct(*places[-1], azimuth, length)
        places.append((end["lat2"], end["lon2"]))
    return register(*map(list, zip(*places, strict=True)))


def moved(towers, tower_id, azimuth, distance):
    """Towers with one of them at a wrong place."""
    towers = towers.copy()
    row = towers.index[towers["tower_id"] == tower_id][0]
    position = ["latitude_deg", "longitude_deg"]
    end = WGS84.Direct(*towers.loc[row, position], azimuth, distance)
    towers.loc[row, position] = end["lat2"], end["lon2"]
    return towers


def crossing(count=24, seed=7):
    """Towers of a plausible line: spans of 250 to 450 m, angles of 40° right at T9 and 55° left at T15."""
    random = np.random.default_rng(seed)
    azimuth = 60.0 + 40.0 * (np.arange(1, count) >= 9) - 55.0 * (np.arange(1, count) >= 15)
    return walk(
        zip(azimuth + random.normal(0, 0.4, count - 1), random.uniform(250, 450, count - 1), strict=True)
    )


def ids(route):
    return route.towers["tower_id"].to_list()


def questions(route):
    """Remarks on place by tower, blank ones left out."""
    asked = route.towers.set_index("tower_id")["place_remark"]
    return asked[asked != ""].to_dict()


# Printed values and reference libraries


@pytest.mark.parametrize("case", np.loadtxt(REFERENCE, delimiter=",", skiprows=2))
def test_length_and_bearings_are_those_of_published_geodesics(case):
    # tests/reference/geodesic.csv: test cases of GeographicLib, printed to the nanometre and 1e-14 degrees.
    latitude_1, longitude_1, azimuth_1, latitude_2, longitude_2, azimuth_2, distance = case
    route = build(register([latitude_1, latitude_2], [longitude_1, longitude_2]), line())
    assert route.length_m == pytest.approx(distance, rel=0, abs=1e-7)
    expected = np.mod([azimuth_1, azimuth_2], 360.0)
    np.testing.assert_allclose(route.towers["bearing_deg"], expected, rtol=0, atol=1e-10)


def test_spans_between_random_places_agree_with_geographiclib():
    random = np.random.default_rng(1)
    latitude = np.degrees(np.arcsin(random.uniform(-1, 1, 300)))
    route = build(register(latitude, random.uniform(-180, 180, 300)), line())
    places = route.towers[["latitude_deg", "longitude_deg"]].to_numpy()
    inverse = [WGS84.Inverse(*here, *there) for here, there in pairwise(places)]
    lengths = [one["s12"] for one in inverse]
    np.testing.assert_allclose(route.spans["length_m"], lengths, rtol=0, atol=1e-7)
    np.testing.assert_allclose(route.towers["chainage_m"].iloc[1:], np.cumsum(lengths), rtol=1e-13)
    arrive = np.array([one["azi2"] for one in inverse[:-1]])
    leave = np.array([one["azi1"] for one in inverse[1:]])
    turn = np.mod(leave - arrive + 180, 360) - 180
    np.testing.assert_allclose(route.towers["deviation_deg"].iloc[1:-1], turn, rtol=0, atol=1e-8)
    np.testing.assert_allclose(
        route.spans["bearing_deg"], np.mod([i["azi1"] for i in inverse], 360), atol=1e-8
    )


def test_the_projection_behind_the_maps_meets_the_published_example():
    # IOGP Guidance Note 7-2, transverse Mercator (EPSG method 9807): 50°30'N 0°30'E on the British National
    # Grid is E 577274.99, N 69740.50, with the note's rounded scale factor and flattening.
    grid = CRS.from_proj4(
        "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996013 +x_0=400000 +y_0=-100000 +a=6377563.396 +rf=299.32496"
    )
    east, north = Transformer.from_crs(grid.geodetic_crs, grid, always_xy=True).transform(0.5, 50.5)
    assert (round(east, 2), round(north, 2)) == (577274.99, 69740.50)


@pytest.mark.parametrize(
    ("latitude", "longitude", "code"),
    [
        # Zone = 6° strips counted east from 180° W, worked out by hand; EPSG codes 326zz north, 327zz south.
        (-1.3, 36.8, 32737),
        (-1.3, 35.9999, 32736),
        (-1.3, 36.0, 32737),
        (0.0, 0.0, 32631),
        (-1e-9, -1e-9, 32730),
        (-17.0, 179.9, 32760),
        (-17.0, 180.0, 32701),
        (-17.0, -180.0, 32701),
        (-17.0, 181.0, 32701),
        (45.0, -75.7, 32618),
        # Zone 32 reaches to 3° E between 56° and 64° N; Svalbard has zones 31, 33, 35, 37 only (from memory).
        (60.4, 5.3, 32632),
        (60.4, 3.0, 32632),
        (60.4, 2.9, 32631),
        (55.9, 5.3, 32631),
        (64.0, 5.3, 32631),
        (78.2, 8.9, 32631),
        (78.2, 9.0, 32633),
        (78.2, 21.0, 32635),
        (78.2, 33.0, 32637),
        (78.2, 42.0, 32638),
        (72.0, 9.5, 32633),
        (71.9, 9.5, 32632),
        # UTM ends at 84° N and 80° S; beyond it the polar stereographic UPS in the order easting, northing.
        (84.0, 100.0, 32647),
        (84.1, 100.0, 5041),
        (-80.0, 100.0, 32747),
        (-80.1, 100.0, 5042),
    ],
)
def test_zone_table(latitude, longitude, code):
    assert local_crs(latitude, longitude).to_epsg() == code


@pytest.mark.parametrize("seed", range(8))
def test_zone_is_one_that_the_epsg_dataset_gives_for_the_place(seed):
    # Outside the two exceptions, of which the dataset's areas of use know nothing.
    random = np.random.default_rng(seed)
    latitude, longitude = random.uniform(-80, 56), random.uniform(-180, 180)
    area = AreaOfInterest(longitude, latitude, longitude, latitude)
    listed = query_utm_crs_info(datum_name="WGS 84", area_of_interest=area)
    assert str(local_crs(latitude, longitude).to_epsg()) in [one.code for one in listed]


def grid_scale(route):
    """Length on the grid over length on the ellipsoid, for each span."""
    return (route.spans.geometry.length / route.spans["length_m"]).to_numpy()


def test_lengths_are_not_those_of_the_grid():
    # The scale of UTM on the central meridian is 0.9996 by definition (EPSG parameter 8805): -0.04 %.
    middle = build(walk([(0, 300), (0, 300)], start=(-1.0, 39.0)), line())
    assert middle.length_m == pytest.approx(600.0, abs=1e-7)
    np.testing.assert_allclose(grid_scale(middle), 0.9996, rtol=0, atol=1e-7)
    # J. P. Snyder, Map projections - a working manual, USGS PP 1395 (1987) eq. 8-11, for 2.999° off it on the
    # equator, by hand with e'² = 0.00673950: 0.9996·(1 + 1.0067395·A²/2 + 5.09·A⁴/24) = 1.000980, so +0.1 %.
    edge = build(walk([(90, 30)], start=(0.0, 41.9989)), line())
    assert edge.length_m == pytest.approx(30.0, abs=1e-7)
    assert grid_scale(edge)[0] == pytest.approx(1.000980, abs=2e-6)


# Worked out by hand


def test_quarter_turn_has_the_bearing_between():
    right = build(register([0.0, 0.003, 0.003], [10.0, 10.0, 10.003]), line()).towers
    np.testing.assert_allclose(right["bearing_deg"], [0, 45, 90], atol=1e-4)
    assert right["deviation_deg"].iloc[1] == pytest.approx(90.0, abs=1e-4)
    left = build(register([0.0, 0.003, 0.003], [10.0, 10.0, 9.997]), line()).towers
    np.testing.assert_allclose(left["bearing_deg"], [0, 315, 270], atol=1e-4)
    assert left["deviation_deg"].iloc[1] == pytest.approx(-90.0, abs=1e-4)


@pytest.mark.parametrize(
    ("arrive", "leave", "bearing"), [(350, 30, 10), (30, 350, 10), (170, 200, 185), (340, 4, 352)]
)
def test_bisector_goes_the_short_way_round(arrive, leave, bearing):
    towers = build(walk([(arrive, 100), (leave, 100)], start=(0.0, 36.0)), line()).towers
    assert towers["bearing_deg"].iloc[1] == pytest.approx(bearing, abs=1e-4)
    assert towers["deviation_deg"].iloc[1] == pytest.approx((leave - arrive + 180) % 360 - 180, abs=1e-4)


def test_a_straight_line_does_not_turn_though_its_azimuth_does():
    # Three points of one geodesic at 60° N: its azimuth grows by 0.31° in each 20 km, yet there is no angle.
    geodesic = WGS84.Line(60.0, 10.0, 90.0)
    places = [geodesic.Position(distance) for distance in (0, 20_000, 40_000)]
    towers = build(register([p["lat2"] for p in places], [p["lon2"] for p in places]), line()).towers
    assert places[1]["azi2"] > 90.3
    np.testing.assert_allclose(towers["bearing_deg"], [p["azi2"] for p in places], atol=1e-9)
    assert towers["deviation_deg"].iloc[1] == pytest.approx(0.0, abs=1e-9)
    assert towers["offset_m"].iloc[1] == pytest.approx(0.0, abs=0.01)


def test_offset_is_the_distance_off_the_chord_of_the_neighbours():
    towers = moved(walk([(40, 350)] * 4), "T3", 130, 60)  # at right angles to the line
    offset = build(towers, line()).towers["offset_m"].to_numpy()
    assert offset[2] == pytest.approx(60.0, abs=1e-3)
    assert np.isnan(offset[[0, -1]]).all()
    # T2 beside the chord from T1 to the moved T3: 350·60/√(700² + 60²) m.
    assert offset[1] == pytest.approx(350 * 60 / np.hypot(700, 60), abs=1e-3)


def test_spans_name_their_towers_and_join_up():
    route = build(crossing(), line())
    spans, towers = route.spans, route.towers
    assert spans["span_id"].iloc[0] == "T1 – T2"
    assert spans["from_tower_id"].to_list() == ids(route)[:-1]
    assert spans["to_tower_id"].to_list() == ids(route)[1:]
    np.testing.assert_array_equal(spans["length_m"], towers["span_ahead_m"].iloc[:-1])
    np.testing.assert_array_equal(spans["to_chainage_m"], towers["chainage_m"].iloc[1:])
    assert np.isnan(towers["span_ahead_m"].iloc[-1])
    assert towers["chainage_m"].iloc[0] == 0.0
    assert route.length_m == pytest.approx(spans["length_m"].sum())
    assert spans.crs == towers.crs == route.crs
    assert [line.coords[0] for line in spans.geometry] == [(p.x, p.y) for p in towers.geometry.iloc[:-1]]


def test_probe_directions_are_across_the_line():
    left, right = probe_bearings(np.array([0.0, 30.0, 300.0, 90.0, np.nan]))
    np.testing.assert_array_equal(left, [270, 300, 210, 0, np.nan])
    np.testing.assert_array_equal(right, [90, 120, 30, 180, np.nan])


def test_a_bearing_of_360_is_written_0():
    assert probe_bearings(np.nextafter(90.0, 0.0))[0] == 0.0  # a hair less than 0° must not round up to 360°


def test_angle_off_the_line_knows_no_direction():
    probe = np.array([0.0, 10.0, 90.0, 170.0, 180.0, 190.0, 270.0, 350.0, np.nan])
    np.testing.assert_array_equal(angle_off_line(probe, 0.0), [0, 10, 90, 10, 0, 10, 90, 10, np.nan])
    np.testing.assert_array_equal(angle_off_line(5.0, np.array([355.0, 185.0, 95.0])), [10, 0, 90])


@given(st.floats(0, 360), st.floats(0, 360))
def test_angle_off_the_line_is_the_same_from_all_four_sides(probe, bearing):
    angle = angle_off_line(probe, bearing)
    assert 0 <= angle <= 90
    assert angle_off_line(bearing, probe) == pytest.approx(angle, abs=1e-9)
    assert angle_off_line(probe + 180, bearing) == pytest.approx(angle, abs=1e-9)
    for across in probe_bearings(bearing):
        assert 0 <= across < 360
        assert angle_off_line(across, bearing) == pytest.approx(90, abs=1e-9)


# Order


@pytest.mark.parametrize("seed", range(5))
def test_shuffled_line_is_put_in_order(seed):
    towers = crossing(60, seed)
    route = build(towers.assign(sequence=np.nan).sample(frac=1, random_state=seed), line())
    assert ids(route) == towers["tower_id"].to_list()
    assert "order of the 60 towers was found from their positions" in route.remarks[0]
    assert "starts at tower T1, the end whose name comes first" in route.remarks[1]


def test_zigzag_is_put_in_order():
    # 300 m along, 160 m either side: the next tower is 439 m away, the one after it 600 m.
    steps = 300.0 * np.arange(80)
    aside = np.where(np.arange(80) % 2, 160.0, -160.0)
    towers = register(-1.2 + steps / 110_574, 36.5 + aside / 111_300, sequence=np.nan)
    assert ids(build(towers.sample(frac=1, random_state=2), line())) == towers["tower_id"].to_list()


@pytest.mark.parametrize(("seed", "scatter"), [(0, 150), (1, 150), (2, 150), (8, 250), (9, 250), (12, 250)])
def test_no_other_order_of_eight_towers_is_shorter(seed, scatter):
    # All 8! orders tried; positions scattered so that the nearest tower is often not the next.
    random = np.random.default_rng(seed)
    along = np.cumsum(random.uniform(200, 450, 8)) + random.normal(0, scatter, 8)
    places = np.column_stack([along, random.normal(0, scatter, 8)])
    apart = np.linalg.norm(places[:, None] - places, axis=-1)
    orders = np.array(list(permutations(range(8))))
    shortest = apart[orders[:, :-1], orders[:, 1:]].sum(axis=1).min()
    route = build(register(places[:, 1] / 110_574, places[:, 0] / 111_320, sequence=np.nan), line())
    assert route.length_m == pytest.approx(shortest, rel=1e-4)  # metres to degrees by round figures


@pytest.mark.parametrize("seed", range(4))
def test_no_stretch_of_a_found_order_is_better_reversed(seed):
    random = np.random.default_rng(seed)
    towers = register(random.uniform(-1.3, -1.2, 60), random.uniform(36.5, 36.6, 60), sequence=np.nan)
    laid = build(towers, line()).towers
    latitude, longitude = laid["latitude_deg"].to_numpy(), laid["longitude_deg"].to_numpy()
    apart = np.array(
        [
            [WGS84.Inverse(latitude[i], longitude[i], latitude[j], longitude[j])["s12"] for j in range(60)]
            for i in range(60)
        ]
    )
    for start, end in combinations(range(60), 2):
        before = [apart[start - 1, start], apart[start - 1, end]] if start else [0.0, 0.0]
        after = [apart[end, end + 1], apart[start, end + 1]] if end < 59 else [0.0, 0.0]
        assert before[0] + after[0] <= before[1] + after[1] + 1e-3


def test_two_thousand_towers_are_put_in_order():
    towers = crossing(2000, 11)
    assert (
        ids(build(towers.assign(sequence=np.nan).sample(frac=1, random_state=0), line()))
        == towers["tower_id"].to_list()
    )


def test_sequence_goes_before_position_and_name():
    towers = walk([(90, 300)] * 5).assign(sequence=[6.0, 5.0, 4.0, 3.0, 2.5, 1.0])
    route = build(towers, line())
    assert ids(route) == ["T6", "T5", "T4", "T3", "T2", "T1"]
    assert not any("found" in remark for remark in route.remarks)


def test_towers_without_a_number_go_where_they_add_least():
    towers = crossing()
    blank = towers["tower_id"].isin(["T1", "T6", "T7", "T8", "T24"])
    backwards = towers.assign(sequence=np.where(blank, np.nan, 100.0 - towers["sequence"]))
    route = build(backwards.sample(frac=1, random_state=1), line())
    assert ids(route) == towers["tower_id"].to_list()[::-1]
    assert "The sequence number is blank for 5 of 24 towers (T1, T6, T7, T8, T24)" in route.remarks[0]


@given(st.permutations(range(8)), st.integers(2, 7))
@settings(max_examples=15, deadline=None)
def test_given_numbers_keep_their_order(order, count):
    sequence = np.full(8, np.nan)
    sequence[list(order[:count])] = np.arange(count)
    route = build(crossing(8).assign(sequence=sequence), line())
    numbered = [f"T{place + 1}" for place in order[:count]]
    assert [tower for tower in ids(route) if tower in numbered] == numbered
    assert sorted(ids(route)) == sorted(f"T{place}" for place in range(1, 9))


def test_direction_comes_from_the_stations_where_they_are_known():
    towers = crossing().assign(sequence=np.nan)
    begin, end = [tuple(towers.loc[row, ["latitude_deg", "longitude_deg"]]) for row in (0, 23)]
    assert ids(build(towers, line(first=end)))[0] == "T24"
    assert ids(build(towers, line(first=begin)))[0] == "T1"
    assert ids(build(towers, line(last=begin)))[0] == "T24"
    route = build(towers, line(first=end, last=begin))
    assert ids(route)[0] == "T24"
    assert "fits the station positions" in route.remarks[1]


def test_names_are_compared_as_people_count():
    towers = walk([(90, 300)] * 2).assign(sequence=np.nan, tower_id=["T10", "T9A", "T9"])
    assert ids(build(towers, line())) == ["T9", "T9A", "T10"]
    assert ids(build(towers.assign(tower_id=["012", "5", "12"]), line())) == ["012", "5", "12"]


def test_line_without_stations_is_laid():
    assert build(crossing(), SimpleNamespace(crs=None, stations=None)).towers.shape[0] == 24


def test_sequence_against_the_stations_is_asked_about():
    towers = crossing()
    begin, end = [tuple(towers.loc[row, ["latitude_deg", "longitude_deg"]]) for row in (0, 23)]
    assert not any("other way" in remark for remark in build(towers, line(first=begin, last=end)).remarks)
    route = build(towers, line(first=end, last=begin))
    assert ids(route)[0] == "T1"
    assert any("runs the other way" in r and "last station" in r for r in route.remarks)


def test_station_far_from_the_line_is_asked_about():
    towers = crossing()
    far = WGS84.Direct(towers["latitude_deg"][0], towers["longitude_deg"][0], 240, 5200)
    remarks = build(towers, line(first=(far["lat2"], far["lon2"]))).remarks
    assert any(
        "Tower T1, the first tower, is 5200 m from Brackwater. Are towers missing" in r for r in remarks
    )


# Places in doubt


def test_a_sound_line_raises_no_question():
    assert questions(build(crossing(), line())) == {}


@pytest.mark.parametrize("turn", [20, 45, 60, 90, 120])
def test_angle_towers_raise_no_question(turn):
    one = [(30, 340)] * 5 + [(30 + turn, 340)] * 5
    dogleg = [(30, 340)] * 5 + [(30 + turn, 280)] + [(30, 340)] * 5
    at_the_station = [(30 + turn, 280), *[(30, 340)] * 8]
    for steps in (one, dogleg, at_the_station):
        assert questions(build(walk(steps), line())) == {}


def test_a_line_that_zigzags_all_along_raises_no_question():
    assert questions(build(walk([(30 + 35 * (-1) ** step, 350) for step in range(20)]), line())) == {}


def test_scatter_that_is_usual_on_the_line_raises_no_question():
    # Positions read off a map to 80 m: every other tower is more than 100 m off its neighbours' chord.
    towers = walk([(30, 350)] * 60)
    towers[["latitude_deg", "longitude_deg"]] += np.random.default_rng(6).normal(0, 80 / 111_000, (61, 2))
    route = build(towers, line())
    assert (route.towers["offset_m"] > 100).sum() > 10
    assert questions(route) == {}


@pytest.mark.parametrize(("tower", "azimuth"), [("T5", 150), ("T12", 190), ("T12", 10), ("T20", 135)])
def test_a_tower_aside_is_asked_about_with_its_distance(tower, azimuth):
    asked = questions(build(moved(crossing(), tower, azimuth, 250), line()))
    place = int(tower[1:])
    assert list(asked) == [tower]
    assert asked[tower].startswith("Lies 2")
    assert asked[tower].endswith(
        f"m off the straight line between towers T{place - 1} and T{place + 1}: check the position."
    )


def test_a_tower_aside_next_to_an_end_or_an_angle_is_asked_about():
    assert list(questions(build(moved(crossing(), "T2", 150, 200), line()))) == ["T2"]
    assert list(questions(build(moved(crossing(), "T10", 190, 200), line()))) == ["T10"]


def test_a_few_metres_aside_raise_no_question():
    assert questions(build(moved(crossing(), "T5", 150, 60), line())) == {}


def test_a_tower_far_away_is_asked_about_and_its_neighbours_are_not():
    asked = questions(build(moved(crossing(), "T12", 200, 40_000), line()))
    assert list(asked) == ["T12"]
    assert asked["T12"].endswith("between towers T11 and T13: check position and sequence number.")


def test_two_numbers_exchanged_make_the_line_turn_back():
    towers = crossing()
    towers.loc[[4, 5], "sequence"] = [6.0, 5.0]
    asked = questions(build(towers, line()))
    assert list(asked) == ["T6"]
    assert asked["T6"].startswith("The line turns back here (by 1")
    assert (
        "between towers T4 and T5: check position and sequence number of these three towers." in asked["T6"]
    )


def test_a_number_far_out_of_order_is_asked_about():
    towers = crossing()
    towers.loc[3, "sequence"] = 20.5
    asked = questions(build(towers, line()))
    assert list(asked) == ["T4"]
    assert asked["T4"].endswith("between towers T20 and T21: check position and sequence number.")


def test_numbers_without_any_order_are_reported_as_one_matter():
    towers = crossing().assign(sequence=np.random.default_rng(0).permutation(24) + 1.0)
    route = build(towers, line())
    assert len(questions(route)) > 10
    assert any("point to the order or to the file" in remark for remark in route.remarks)


def test_a_long_span_is_asked_about_at_both_its_towers():
    towers = crossing().drop(index=[9, 10, 11])
    route = build(towers, line())
    span = route.spans.set_index("span_id").loc["T9 – T13", "length_m"]
    asked = questions(route)
    assert list(asked) == ["T9", "T13"]
    assert asked["T9"].startswith(f"The span to tower T13 is {span:.0f} m long; ")
    assert asked["T13"].startswith(f"The span from tower T9 is {span:.0f} m long; ")
    assert any("in question at 2 of 21 towers: T9, T13." in remark for remark in route.remarks)


def test_long_spans_that_are_usual_on_the_line_raise_no_question():
    assert questions(build(walk([(30, 1100)] * 8 + [(30, 2500)] + [(30, 1100)] * 3), line())) == {}


def test_two_towers_at_one_place_have_no_direction():
    towers = crossing()
    towers.loc[5, ["latitude_deg", "longitude_deg"]] = towers.loc[4, ["latitude_deg", "longitude_deg"]]
    route = build(towers, line())
    laid = route.towers.set_index("tower_id")
    assert laid.index[laid["bearing_deg"].isna()].to_list() == ["T5", "T6"]
    assert laid["chainage_m"].is_monotonic_increasing
    assert questions(route)["T6"].startswith("Same position as tower T5 (0.0 m apart)")
    assert any("no probe direction at towers T5, T6" in remark for remark in route.remarks)


def test_a_copied_position_is_asked_about_at_both_towers():
    towers = crossing()
    towers.loc[15, ["latitude_deg", "longitude_deg"]] = towers.loc[4, ["latitude_deg", "longitude_deg"]]
    asked = questions(build(towers, line()))
    assert list(asked) == ["T5", "T16"]
    assert "as tower T16" in asked["T5"]
    assert "as tower T5" in asked["T16"]
    assert "off the straight line between towers T15 and T17" in asked["T16"]


def test_many_towers_at_one_place_are_laid():
    route = build(register([-1.2] * 5, [36.5] * 5, sequence=np.nan), line())
    assert route.length_m == 0.0
    assert route.towers["bearing_deg"].isna().all()
    assert len(questions(route)) == 5


@given(st.integers(2, 19), st.floats(0, 360), st.floats(120, 2e7))
@settings(max_examples=20, deadline=None)
def test_whatever_a_wrong_position_does_the_route_is_whole(place, azimuth, distance):
    route = build(moved(crossing(20), f"T{place}", azimuth, distance), line())
    assert len(route.towers) == 20
    assert len(route.spans) == 19
    assert np.isfinite(route.towers["bearing_deg"]).all()


def test_a_place_that_the_grid_does_not_reach_is_left_undrawn_and_reported():
    towers = crossing()
    towers.loc[9, "longitude_deg"] = 136.5  # 1 typed before 36.5
    route = build(towers, line())
    assert route.towers.set_index("tower_id").geometry.is_empty.to_numpy().nonzero()[0].tolist() == [9]
    assert route.spans.geometry.is_empty.sum() == 2
    assert any("Too far away to be drawn in EPSG:32737: tower T10." in remark for remark in route.remarks)
    assert route.length_m > 2e7


# Few towers, and records that cannot be laid


@pytest.mark.parametrize("sequence", [1.0, np.nan])
def test_one_tower_is_a_route_without_spans(sequence):
    route = build(register([-1.2], [36.5], sequence=sequence), line())
    tower = route.towers.iloc[0]
    assert tower["chainage_m"] == route.length_m == 0.0
    assert np.isnan(tower["bearing_deg"])
    assert route.spans.empty
    assert list(route.spans.columns) == list(build(crossing(), line()).spans.columns)
    assert "one tower only" in route.remarks[0]


@pytest.mark.parametrize("sequence", [[1.0, 2.0], np.nan, [np.nan, 2.0]])
def test_two_towers_are_a_route(sequence):
    route = build(walk([(75, 320)]).assign(sequence=sequence), line())
    np.testing.assert_allclose(route.towers["bearing_deg"], 75.0, atol=1e-3)
    assert route.length_m == pytest.approx(320.0, abs=1e-6)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda towers: towers.iloc[:0], r"towers\.csv: no tower\. Give one row per tower"),
        (lambda towers: towers.replace({"tower_id": {"T2": " "}}), "tower_id is blank in 1 row"),
        (lambda towers: towers.replace({"tower_id": {"T2": None}}), "tower_id is blank in 1 row"),
        (lambda towers: towers.replace({"tower_id": {"T2": "T1"}}), r"more than once: T1 \(sequence 1\), T1"),
        (
            lambda towers: towers.assign(sequence=[1.0, 4.0, 4.0]),
            r"T2 \(sequence 4\), T3 \(sequence 4\)\. Number each",
        ),
        (lambda towers: towers.assign(sequence=[np.nan, 4.0, 4.0]), "sequence has a number more than once"),
        (
            lambda towers: towers.assign(latitude_deg=[-1.2, np.nan, 91.0]),
            "out of range at tower T2 .*, T3 .*Correct it",
        ),
        (lambda towers: towers.assign(longitude_deg=[36.5, 36.6, np.inf]), "out of range at tower T3"),
    ],
)
def test_records_that_cannot_be_built_are_reported_with_the_mend(change, message):
    with pytest.raises(RecordsError, match=message):
        build(change(walk([(75, 320)] * 2)), line())


def test_a_register_without_the_column_sequence_is_laid():
    assert ids(build(crossing().drop(columns="sequence"), line()))[0] == "T1"


def test_the_register_is_left_as_it_was():
    towers = crossing()
    before = towers.copy(deep=True)
    build(towers, line())
    pd.testing.assert_frame_equal(towers, before)


# Coordinate systems


def test_the_crs_of_the_line_is_used():
    route = build(crossing(), line(crs="EPSG:32736"))  # the zone next door: half a degree over the border
    assert route.crs.to_epsg() == 32736
    assert route.remarks == []
    np.testing.assert_allclose(grid_scale(route), 1.0014, atol=3e-4)


@pytest.mark.parametrize(
    ("crs", "message"),
    [
        (
            "EPSG:4326",
            r'crs = "EPSG:4326" \(WGS 84\) is not a projected .* such as "EPSG:32737", or leave crs out',
        ),
        ("EPSG:4978", "is not a projected"),
        ("EPSG:999999", r'line\.toml \[line\] crs = "EPSG:999999" is not a known coordinate system'),
        ("zone 37", "is not a known coordinate system"),
        ("EPSG:2263", "is in US survey foot, not in metres"),
    ],
)
def test_a_crs_that_cannot_be_drawn_in_is_reported_with_the_mend(crs, message):
    with pytest.raises(SettingsError, match=message):
        build(crossing(), line(crs=crs))


def test_a_crs_of_another_country_is_asked_about():
    remarks = build(crossing(), line(crs="EPSG:32720")).remarks
    assert any("outside the area of EPSG:32720" in r and "EPSG:32737" in r for r in remarks)


@pytest.mark.parametrize(
    ("start", "code"),
    [((-1.2, 35.98), 32737), ((-1.2, 35.93), 32736), ((-17.0, 179.98), 32701), ((-17.0, 179.93), 32760)],
)
def test_a_line_over_a_zone_border_is_drawn_in_the_zone_of_its_middle(start, code):
    towers = walk([(90, 350)] * 20, start)  # 7 km: the middle is 0.0315° to 0.033° east of the start
    given_order = build(towers, line())
    assert given_order.crs.to_epsg() == code
    assert grid_scale(given_order) == pytest.approx(np.ones(20), abs=2e-3)
    found = build(towers.assign(sequence=np.nan).sample(frac=1, random_state=3), line())
    assert ids(found) == ids(given_order)
    assert found.length_m == pytest.approx(7000.0, abs=1e-6)


@pytest.mark.parametrize(("latitude", "code"), [(-88.0, 5042), (89.99, 5041)])
def test_a_line_near_a_pole_is_laid(latitude, code):
    geodesic = WGS84.Line(latitude, 30.0, 10.0)  # the northern one passes the pole
    places = [geodesic.Position(350.0 * step) for step in range(12)]
    towers = register(
        [place["lat2"] for place in places], [place["lon2"] for place in places], sequence=np.nan
    )
    route = build(towers.sample(frac=1, random_state=3), line())
    assert route.crs.to_epsg() == code
    assert ids(route) == towers["tower_id"].to_list()
    # The scale of UPS at the pole is 0.994 by definition (EPSG parameter 8805).
    np.testing.assert_allclose(grid_scale(route), 0.994, rtol=0, atol=1e-3)


# Nearest span


def test_nearest_span_of_a_place_beside_the_line():
    towers = walk([(60, 400)] * 10)
    route = build(towers, line())
    middle = WGS84.Direct(towers["latitude_deg"][3], towers["longitude_deg"][3], 60, 100)
    place = WGS84.Direct(middle["lat2"], middle["lon2"], middle["azi2"] - 90, 2500)
    behind = WGS84.Direct(towers["latitude_deg"][0], towers["longitude_deg"][0], 240, 900)
    found = nearest_span(
        [place["lat2"], behind["lat2"], np.nan], [place["lon2"], behind["lon2"], 36.5], route
    )
    assert found["span_id"].iloc[:2].to_list() == ["T4 – T5", "T1 – T2"]
    np.testing.assert_allclose(found["distance_m"], [2500, 900, np.nan], atol=0.01)
    np.testing.assert_allclose(found["chainage_m"], [1300, 0, np.nan], atol=0.1)
    assert found.iloc[2].isna().all()


def test_nearest_span_keeps_the_index_and_the_scale_of_numbers():
    route = build(crossing(), line())
    places = route.towers.iloc[[3, 10]].set_index(pd.Index([70, 5]))
    found = nearest_span(places["latitude_deg"], places["longitude_deg"], route)
    assert found.index.to_list() == [70, 5]
    np.testing.assert_allclose(found["distance_m"], 0.0, atol=1e-3)
    np.testing.assert_allclose(found["chainage_m"], places["chainage_m"], atol=1e-3)


def test_nearest_span_of_fifty_thousand_places_agrees_with_a_search_along_the_line():
    towers = crossing(60, 3)
    route = build(towers, line())
    random = np.random.default_rng(2)
    latitude = random.uniform(-1.3, -1.0, 50_000)
    longitude = random.uniform(36.4, 36.8, 50_000)
    found = nearest_span(latitude, longitude, route)
    points = []  # a point every 10 m or less on the geodesics between towers
    for span in route.spans.itertuples():
        start = route.towers.iloc[span.Index]
        ray = WGS84.Line(start["latitude_deg"], start["longitude_deg"], span.bearing_deg)
        points += [ray.Position(step) for step in np.linspace(0, span.length_m, 46)]
    for row in random.choice(50_000, 5, replace=False):
        apart = [WGS84.Inverse(latitude[row], longitude[row], p["lat2"], p["lon2"])["s12"] for p in points]
        assert min(apart) - 0.5 < found["distance_m"][row] < min(apart) + 0.01


def test_a_route_without_spans_has_no_nearest_span():
    found = nearest_span([-1.2], [36.5], build(register([-1.2], [36.5]), line()))
    assert found.shape == (1, 3)
    assert found.isna().all(axis=None)


def test_nearest_span_where_two_towers_stand_at_one_place():
    towers = crossing()
    towers.loc[5, ["latitude_deg", "longitude_deg"]] = towers.loc[4, ["latitude_deg", "longitude_deg"]]
    route = build(towers, line())
    found = nearest_span(towers["latitude_deg"], towers["longitude_deg"], route)
    np.testing.assert_allclose(found["chainage_m"], route.towers["chainage_m"], atol=1e-3)


def test_spans_that_are_not_drawn_are_never_nearest():
    towers = crossing()
    towers.loc[2, "longitude_deg"] = 136.5
    route = build(towers, line())
    found = nearest_span(towers["latitude_deg"][4:], towers["longitude_deg"][4:], route)
    np.testing.assert_allclose(found["chainage_m"], route.towers["chainage_m"][4:], atol=1e-2)


# Laws

STEPS = st.lists(st.tuples(st.floats(-70, 70), st.floats(150, 600)), min_size=2, max_size=12)
STARTS = st.tuples(st.floats(-70, 70), st.floats(-180, 180))


@given(STEPS, STARTS)
@settings(max_examples=15, deadline=None)
def test_chainage_grows_by_the_spans(steps, start):
    route = build(walk(steps, start), line())
    assert (np.diff(route.towers["chainage_m"]) > 0).all()
    np.testing.assert_allclose(
        np.diff(route.towers["chainage_m"]), [length for _, length in steps], atol=1e-6
    )
    assert route.towers["bearing_deg"].between(0, 360, inclusive="left").all()


@given(STEPS, STARTS)
@settings(max_examples=15, deadline=None)
def test_a_line_read_backwards_turns_the_other_way(steps, start):
    towers = walk(steps, start)
    there = build(towers, line()).towers
    back = build(towers.assign(sequence=-towers["sequence"]), line()).towers.iloc[::-1].reset_index(drop=True)
    assert back["tower_id"].to_list() == there["tower_id"].to_list()
    np.testing.assert_allclose(
        back["chainage_m"], there["chainage_m"].iloc[-1] - there["chainage_m"], atol=1e-6
    )
    np.testing.assert_allclose(back["deviation_deg"], -there["deviation_deg"], atol=1e-7)
    np.testing.assert_allclose(angle_off_line(back["bearing_deg"], there["bearing_deg"]), 0.0, atol=1e-7)
    turned = np.mod(back["bearing_deg"] - there["bearing_deg"], 360.0)
    np.testing.assert_allclose(turned, 180.0, atol=1e-7)
    np.testing.assert_allclose(back["offset_m"], there["offset_m"], atol=1e-6)


@given(STEPS, STARTS, st.floats(-360, 360))
@settings(max_examples=15, deadline=None)
def test_a_line_moved_along_its_parallel_keeps_lengths_and_bearings(steps, start, shift):
    towers = walk(steps, start)
    here, there = (
        build(towers.assign(longitude_deg=towers["longitude_deg"] + east), line()).towers
        for east in (0, shift)
    )
    measures = ["chainage_m", "deviation_deg", "offset_m"]
    np.testing.assert_allclose(here[measures], there[measures], rtol=1e-9, atol=1e-5)
    np.testing.assert_allclose(angle_off_line(here["bearing_deg"], there["bearing_deg"]), 0.0, atol=1e-6)


@given(st.permutations(range(24)))
@settings(max_examples=8, deadline=None)
def test_the_order_of_the_rows_changes_nothing(order):
    towers = crossing().assign(sequence=np.nan)
    one, other = build(towers, line()), build(towers.iloc[list(order)], line())
    pd.testing.assert_frame_equal(one.towers, other.towers)
    assert one.remarks == other.remarks

"""Latitudes and longitudes as people write them, slips that the line's towers prove, and grid metres."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from towerlib.errors import SettingsError
from towerlib.records.coordinates import as_written, coordinates, from_grid, settle

law = settings(max_examples=60, deadline=None)


def text(*cells):
    return pd.Series(cells, dtype="str")


def latitudes(*cells):
    """Latitude column read, with a plain longitude beside each cell."""
    return coordinates(text(*cells), text(*["151.2093"] * len(cells)))[0]


def longitudes(*cells):
    """Longitude column read, with a plain latitude beside each cell."""
    return coordinates(text(*["-33.8697"] * len(cells)), text(*cells))[1]


# published angles


@pytest.mark.parametrize(
    ("latitude", "longitude", "latitude_rad", "longitude_rad"),
    [  # source: EPSG Guidance Note 7-2, worked examples of map projections; printed to 8 decimals
        ("50°30'00.00\"N", "00°30'00.00\"E", 0.88139127, 0.00872665),  # transverse Mercator
        ("17°55'55.80\"N", "76°56'37.26\"W", 0.31297535, -1.34292061),  # Lambert conic conformal, 1SP
        ("28°30'00.00\"N", "96°00'00.00\"W", 0.49741884, -1.67551608),  # Lambert conic conformal, 2SP
    ],
)
def test_angles_of_the_epsg_examples(latitude, longitude, latitude_rad, longitude_rad):
    read = coordinates(text(latitude), text(longitude))
    assert math.radians(read[0].values[0]) == pytest.approx(latitude_rad, abs=5.1e-9)
    assert math.radians(read[1].values[0]) == pytest.approx(longitude_rad, abs=5.1e-9)


def test_geocentric_position_of_the_epsg_example():
    # source: EPSG Guidance Note 7-2, geographic/geocentric conversions: 73.0 m above the WGS 84 ellipsoid
    latitude, longitude = coordinates(text("53°48'33.820\"N"), text("2°07'46.380\"E"))
    place = Transformer.from_crs("EPSG:4979", "EPSG:4978").transform(
        latitude.values[0], longitude.values[0], 73.0
    )
    assert place == pytest.approx((3771793.968, 140253.342, 5124304.349), abs=1e-3)


# forms


@pytest.mark.parametrize(
    "cell",
    [
        "33°52'10.8\"S",
        "33°52′10.8″S",
        "33°52’10,8”S",
        "33º 52' 10.8'' S",
        "33 52 10.8 S",
        "S 33 52 10.8",
        "S33°52'10.8\"",
        "-33°52'10.8\"",
        "-33 52 10.8",
        "−33:52:10.8",
        "-33d52m10.8s",
        "33d52m10.8sS",
        "33d 52m 10.8s S",
        "33°52.18'S",
        "S33 52.18",
        "S 33° 52,180'",
        "33deg 52.18min S",
        "-33.8696666667",
        "-33,8696666667",
        "33.8696666667 S",
        "33.8696666667°S",
        "S33.8696666667",
        "33.8696666667 Süd",
        "33.8696666667 south",
        "-33.8696666667 S",
        "33 52 10.8 s",
    ],
)
def test_forms_of_one_latitude(cell):
    read = latitudes(cell)
    # by hand: 33 + 52/60 + 10.8/3600
    assert read.values[0] == pytest.approx(-33.86966666667, abs=1e-9)
    assert read.problem.tolist() == [""]


def test_a_second_mark_is_no_south():
    assert latitudes("33d52m10s").values[0] == pytest.approx(33.869444444, abs=1e-9)


def test_a_sign_holds_for_minutes_under_a_degree():
    assert latitudes("-0°30'", "0°30'S").values.tolist() == [-0.5, -0.5]


def test_repaired_is_what_is_not_plain_degrees():
    assert latitudes("-33.8697", "-33,8697", "33.8697S", "n/a", "", None).repaired.tolist() == [
        False,
        True,
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(
    ("column", "expected"),
    [
        (["10 E", "5 W"], [10, -5]),
        (["10 Ost", "5 West"], [10, -5]),
        (["10 este", "5 oeste"], [10, -5]),
        (["10 O", "5 W"], [10, -5]),  # W stands for west, so O is Ost
        (["10 O", "5 E"], [-10, 5]),  # E stands for east, so O is oeste
        (["10 O"], [None]),
        (["10 O", "5 W", "6 E"], [None, -5, 6]),
    ],
)
def test_the_column_decides_what_the_letter_o_is(column, expected):
    read = longitudes(*column)
    assert [None if np.isnan(value) else value for value in read.values] == expected
    assert read.problem.str.contains("the letter O").tolist() == [value is None for value in expected]


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("91", "'91' lies beyond 90 degrees, so it is not a latitude"),
        ("-90.5 S", "lies beyond 90 degrees"),
        ("6250123", "grid metres"),
        ("33°60'10\"S", "60 or more minutes or seconds"),
        ("33°52'60\"S", "60 or more minutes or seconds"),
        ("-33.87 N", "contradict each other"),
        ("+33.87 S", "contradict each other"),
        ("33.87 E", "the letter E, which no latitude has"),
        ("33.5°30'S", "is not a latitude"),
        ("33°52.5'10\"S", "is not a latitude"),
        ("33.869.712", "is not a latitude"),
        ("-33.87, 151.21", "is not a latitude; write one angle"),
        ("S33.87S", "is not a latitude"),
        ("33 X", "is not a latitude"),
        ("335210", "lies beyond 90 degrees"),
        ("at the gate", "is not a latitude"),
        ("inf", "is not a latitude"),
        ("same as last", "points to another row"),
    ],
)
def test_what_is_no_latitude_is_a_problem(cell, words):
    read = latitudes(cell)
    assert np.isnan(read.values[0])
    assert words in read.problem[0]
    assert not read.repaired[0]


def test_longitudes_have_their_own_limit():
    read = longitudes("151", "180", "-180", "180.01")
    assert read.values.tolist()[:3] == [151, 180, -180]
    assert "lies beyond 180 degrees, so it is not a longitude" in read.problem[3]


def test_letters_prove_that_the_columns_are_swapped():
    latitude, longitude = coordinates(text("151.2093 E", "33.87 S"), text("33.8697 S", "151.21 E"))
    assert latitude.values.tolist() == [-33.8697, -33.87]
    assert longitude.values.tolist() == [151.2093, 151.21]
    assert latitude.repaired.tolist() == longitude.repaired.tolist() == [True, True]


def test_as_written_keeps_what_lies_beyond_the_limits():
    latitude, longitude = as_written(text("151.2093", "33°52'S", "n/a"), text("-33,8697", "151.21", ""))
    np.testing.assert_allclose(latitude, [151.2093, -33.8666667, np.nan], atol=1e-7)
    np.testing.assert_allclose(longitude, [-33.8697, 151.21, np.nan])


# laws

ANGLES = st.tuples(st.integers(0, 89), st.integers(0, 59), st.integers(0, 5999), st.sampled_from("NS"))
SPELLINGS = {
    "degrees": lambda size, d, m, s: f"{size:.9f}",
    "decimal comma": lambda size, d, m, s: f"{size:.9f}".replace(".", ","),
    "minutes": lambda size, d, m, s: f"{d}°{m + s / 60:.6f}'",
    "bare minutes": lambda size, d, m, s: f"{d:02d} {m + s / 60:09.6f}",
    "seconds": lambda size, d, m, s: f"{d}°{m}'{s:.2f}\"",
    "primes": lambda size, d, m, s: f"{d}° {m:02d}′ {s:05.2f}″",
    "bare seconds": lambda size, d, m, s: f"{d:02d} {m:02d} {s:05.2f}",
    "colons": lambda size, d, m, s: f"{d}:{m:02d}:{s:05.2f}",
    "letters": lambda size, d, m, s: f"{d}d{m}m{s:.2f}s",
}


@law
@given(
    st.lists(ANGLES, min_size=1, max_size=5),
    st.sampled_from(sorted(SPELLINGS)),
    st.sampled_from(["sign", "front", "back"]),
)
def test_angles_come_back_as_they_were_written(angles, spelling, side):
    cells, expected = [], []
    for degrees, minutes, hundredths, letter in angles:
        size = degrees + minutes / 60 + hundredths / 360000
        angle = SPELLINGS[spelling](size, degrees, minutes, hundredths / 100)
        sign = "-" if letter == "S" else ""
        cells.append({"sign": sign + angle, "front": f"{letter} {angle}", "back": f"{angle} {letter}"}[side])
        expected.append(-size if letter == "S" else size)
    np.testing.assert_allclose(latitudes(*cells).values, expected, atol=1e-8)


PIECES = st.sampled_from(
    [
        "33",
        "7",
        "0",
        "60",
        ".5",
        ",",
        " ",
        "°",
        "'",
        '"',
        "N",
        "S",
        "E",
        "O",
        "W",
        "-",
        "d",
        "m",
        "s",
        "n/a",
        "′",
    ]
)
CELLS = st.lists(st.one_of(st.none(), st.text(), st.lists(PIECES, max_size=8).map("".join)), max_size=6)


@law
@given(CELLS, CELLS)
def test_any_text_is_an_angle_a_blank_or_a_problem(first, second):
    size = min(len(first), len(second))
    columns = [pd.Series(cells[:size], dtype="str", index=np.arange(size) // 2) for cells in (first, second)]
    before = [column.copy() for column in columns]
    for column, read, limit in zip(columns, coordinates(*columns), (90, 180), strict=True):
        problem, value = read.problem != "", read.values.notna()
        silent = ~problem & ~value & (column.fillna("").str.strip() != "")
        assert not (problem & (value | read.repaired)).any()
        assert read.repaired[silent].all()
        assert (read.values.dropna().abs() <= limit).all()
        assert read.values.index.equals(column.index)
    for column, kept in zip(columns, before, strict=True):
        pd.testing.assert_series_equal(column, kept)


# slips that the towers prove


def line(count=40, latitude=-33.8, longitude=151.2, step=0.003):
    """An invented line running south-east, as two series."""
    steps = np.arange(count) * step
    return pd.Series(latitude - steps), pd.Series(longitude + steps)


def place(settled, row):
    return settled.latitude_deg[row], settled.longitude_deg[row]


SLIPS = {
    "latitude and longitude were swapped": lambda latitude, longitude: (longitude, latitude),
    "the latitude had the wrong sign": lambda latitude, longitude: (-latitude, longitude),
    "the longitude had the wrong sign": lambda latitude, longitude: (latitude, -longitude),
    "both had the wrong sign": lambda latitude, longitude: (-latitude, -longitude),
    "latitude and longitude were swapped, and the latitude had the wrong sign": lambda latitude, longitude: (
        longitude,
        -latitude,
    ),
}


@pytest.mark.parametrize("slip", SLIPS)
@pytest.mark.parametrize(
    ("at_latitude", "at_longitude"), [(-33.8, 151.2), (51.3, 7.2), (-22.9, -43.2), (17.9, -76.8)]
)
def test_one_slip_is_repaired_and_reported(slip, at_latitude, at_longitude):
    latitude, longitude = line(latitude=at_latitude, longitude=at_longitude)
    wrong_latitude, wrong_longitude = latitude.copy(), longitude.copy()
    wrong_latitude[7], wrong_longitude[7] = SLIPS[slip](latitude[7], longitude[7])
    settled = settle(wrong_latitude, wrong_longitude, wrong_latitude, wrong_longitude)
    pd.testing.assert_series_equal(settled.latitude_deg, latitude, check_names=False)
    pd.testing.assert_series_equal(settled.longitude_deg, longitude, check_names=False)
    assert settled.repair[7] == slip
    assert (settled.repair.drop(7) == "").all()
    assert (settled.problem == "").all()


@pytest.mark.parametrize("share", [0.1, 0.3, 0.45])
def test_many_slips_are_put_right_while_most_towers_stand(share):
    latitude, longitude = line(100)
    is_wrong = latitude.index < share * 100
    wrong = latitude.where(~is_wrong, -latitude)
    settled = settle(wrong, longitude, wrong, longitude)
    np.testing.assert_array_equal(settled.latitude_deg, latitude)
    assert (settled.repair != "").tolist() == is_wrong.tolist()


def test_a_long_line_with_most_towers_at_one_end_is_kept():
    latitude = pd.Series(np.concatenate([np.linspace(-33.8, -33.9, 60), np.linspace(-34.2, -37.0, 40)]))
    longitude = pd.Series(151.0, index=latitude.index)
    settled = settle(latitude, longitude, latitude, longitude)
    np.testing.assert_array_equal(settled.latitude_deg, latitude)
    assert (settled.problem == "").all()


def test_a_line_across_the_180th_meridian_is_kept():
    longitude = pd.Series(np.linspace(179.8, 180.2, 40)).map(lambda east: east - 360 if east > 180 else east)
    latitude = pd.Series(-16.8, index=longitude.index)
    settled = settle(latitude, longitude, latitude, longitude)
    np.testing.assert_array_equal(settled.longitude_deg, longitude)
    assert (settled.repair + settled.problem == "").all()


@pytest.mark.parametrize("move", [(3.0, 0.0), (0.0, 10.0), (0.8, 0.0)])
def test_a_far_position_that_no_exchange_explains_is_a_problem(move):
    latitude, longitude = line()
    there = settle(latitude[:1] + move[0], longitude[:1] + move[1], latitude, longitude)
    assert np.isnan(place(there, 0)).all()
    assert (
        "neither swapped axes nor a lost sign explain it beyond doubt; read the position again"
        in there.problem[0]
    )


def test_the_distance_in_the_sentence():
    # by hand: 3 degrees of latitude of 60 nautical miles of 1.852 km are 333 km
    latitude, longitude = line()
    assert "lies about 333 km from" in settle(latitude[:1] + 3, longitude[:1], latitude, longitude).problem[0]


def test_two_fitting_exchanges_prove_nothing():
    # beside the diagonal a swap without sign and both signs without swap lead to the line alike
    latitude, longitude = line(latitude=30.1, longitude=30.0, step=0.0005)
    there = settle(-latitude[:1], -longitude[:1], latitude, longitude)
    assert there.repair[0] == ""
    assert "beyond doubt" in there.problem[0]


def test_near_the_equator_a_sign_is_no_proof():
    latitude, longitude = line(latitude=0.35, longitude=34.0, step=0.0005)
    assert settle(-latitude[:1], longitude[:1], latitude, longitude).repair[0] == ""


@pytest.mark.parametrize("towers", [0, 1, 2])
def test_too_few_towers_prove_nothing(towers):
    latitude, longitude = line()
    written = pd.Series([33.8, 151.2, 0.0]), pd.Series([151.2, -33.8, 0.0])
    settled = settle(*written, latitude[:towers], longitude[:towers])
    assert (settled.repair == "").all()
    assert place(settled, 0) == (33.8, 151.2)
    assert "is not a position on earth" in settled.problem[1]
    assert "without a fix" in settled.problem[2]


def test_zero_zero_is_a_problem_and_no_tower():
    latitude, longitude = line(5)
    latitude[1:] = longitude[1:] = 0.0
    settled = settle(latitude, longitude, latitude, longitude)
    assert (
        settled.problem[1:]
        .str.contains("latitude 0, longitude 0 is what a receiver stores without a fix")
        .all()
    )
    assert place(settled, 0) == (-33.8, 151.2)


def test_blanks_stay_blank_and_inputs_stay_as_they_were():
    latitude, longitude = line()
    latitude[3] = longitude[3] = np.nan
    latitude[4] *= -1
    kept = latitude.copy(), longitude.copy()
    settled = settle(latitude, longitude, latitude, longitude)
    assert np.isnan(place(settled, 3)).all()
    assert settled.repair[3] + settled.problem[3] == ""
    pd.testing.assert_series_equal(latitude, kept[0])
    pd.testing.assert_series_equal(longitude, kept[1])


def test_an_impossible_half_of_a_position_is_a_problem():
    settled = settle(pd.Series([151.2, -33.8]), pd.Series([np.nan, np.nan]), *line())
    assert settled.problem[0].startswith("latitude 151.2, longitude blank is not a position on earth")
    assert (settled.problem[1], settled.latitude_deg[1]) == ("", -33.8)


@law
@given(st.lists(st.tuples(st.floats(-200, 200), st.floats(-200, 200)), max_size=8))
def test_a_position_is_never_lost_without_a_word(places):
    latitude, longitude = (pd.Series([place[axis] for place in places], dtype=float) for axis in (0, 1))
    towers = line()
    settled = settle(latitude, longitude, *towers)
    lost = settled.latitude_deg.isna()
    assert (lost == (settled.problem != "")).all()
    moved = ~lost & ((settled.latitude_deg != latitude) | (settled.longitude_deg != longitude))
    assert (moved == (settled.repair != "")).all()


# grid metres


def test_grid_position_of_a_published_example():
    # source: GeographicLib, manual of GeoConvert (from memory): 33.3 44.4 is 38n 444140.54 3684706.36
    place = from_grid(pd.Series([444140.54]), pd.Series([3684706.36]), "EPSG:32638")
    np.testing.assert_allclose(place.to_numpy(), [[33.3, 44.4]], atol=1e-7)


def test_grid_origin_by_definition():
    # EPSG 32736: central meridian 33° E, false easting 500 km, false northing 10,000 km at the equator
    place = from_grid(pd.Series([500000.0], index=["12A"]), pd.Series([1e7], index=["12A"]), "EPSG:32736")
    np.testing.assert_allclose(place.loc["12A"], [0.0, 33.0], atol=1e-9)


def test_grid_blanks_are_blank():
    place = from_grid(pd.Series([500000.0, np.nan, 1e12]), pd.Series([np.nan, 1e7, 1e12]), "EPSG:32736")
    assert place.isna().all(axis=None)


@pytest.mark.parametrize(
    ("crs", "words"),
    [
        ("EPSG:0", r"line\.crs: 'EPSG:0' is not known; write a code"),
        ("EPSG:4326", "has no easting and northing"),
    ],
)
def test_grid_without_a_projection_is_refused(crs, words):
    with pytest.raises(SettingsError, match=words):
        from_grid(pd.Series([1.0]), pd.Series([1.0]), crs)

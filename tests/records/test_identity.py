"""Tower names as crews write them, against a register: what is sure, probable, or a question."""

import sys
import unicodedata

import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import example, given, settings
from hypothesis import strategies as st

from towerlib.records.tower_names import great_circle_m, match

METRE = 1 / 111_195  # degree of latitude, on the sphere of match


def one(name, register, stood=None, places=None):
    """Match one name, at (latitude, longitude) where given."""
    if stood is None:
        return match(pd.Series([name]), register).iloc[0]
    positions = pd.DataFrame([stood], columns=["latitude_deg", "longitude_deg"])
    return match(pd.Series([name]), register, positions=positions, register_positions=places).iloc[0]


def north(**metres_by_tower):
    """Register positions along a meridian, in metres from the equator; `_12L` stands for 12L."""
    ids = [tower.removeprefix("_") for tower in metres_by_tower]
    latitudes = [metres * METRE for metres in metres_by_tower.values()]
    return pd.DataFrame({"latitude_deg": latitudes, "longitude_deg": 30.0}, index=ids)


# Printed references


@pytest.mark.parametrize(
    ("name", "register", "tower"),
    [
        # M. Ziemann, Y. Eren, A. El-Osta, Genome Biology 17:177 (2016): SEPT2 becomes 2-Sep, MARCH1 becomes
        # 1-Mar in spreadsheets (from memory); the same with names of two numbers
        ("2-Sep", ["2/9", "3/9"], "2/9"),
        ("1-Mar", ["3/1", "3/2"], "3/1"),
        # the same paper: 2310009E13 is shown as 2.31E+13 (from memory); what was lost cannot be found again
        ("2.31E+13", ["2310009E13", "23100000000000"], None),
        # ISO 8601: year, month, day
        ("2026-01-12", ["12/1", "12/2"], "12/1"),
        ("2026-01-12 00:00:00", ["1/12"], "1/12"),
        ("2026-01-12T00:00", ["1/12"], "1/12"),
    ],
)
def test_what_spreadsheets_are_known_to_do(name, register, tower):
    found = one(name, register)
    assert found["certainty"] == ("none" if tower is None else "probable")
    assert pd.isna(found["tower_id"]) if tower is None else found["tower_id"] == tower


def test_every_dash_of_unicode_is_a_hyphen():
    # The Unicode Standard, general category Pd (dash punctuation), and U+2212 minus sign
    dashes = [char for char in map(chr, range(sys.maxunicode)) if unicodedata.category(char) == "Pd"]
    names = pd.Series([f"12{dash}1" for dash in [*dashes, "\u2212"]])
    found = match(names, ["12-1", "12/1", "121"])
    assert len(dashes) >= 20
    assert (found["tower_id"] == "12-1").all()
    assert (found["certainty"] == "sure").all()


@pytest.mark.parametrize("latitude", [0.0, -17.8, 45.0, 60.2, 89.0])
@pytest.mark.parametrize("bearing", [0, 37, 90])
@pytest.mark.parametrize("metres", [15.0, 300.0, 1000.0, 50_000.0])
def test_distance_against_the_geodesic(latitude, bearing, metres):
    # GeographicLib (C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87, 2013), WGS 84
    end = Geodesic.WGS84.Direct(latitude, 30.0, bearing, metres)
    assert great_circle_m(latitude, 30.0, end["lat2"], end["lon2"]) == pytest.approx(metres, rel=0.006)


def test_distance_by_hand():
    # a quarter of a circle of 6371.0088 km: 6371.0088 π/2 = 10007.557 km
    quarter = great_circle_m(0.0, np.array([0.0, np.nan]), 90.0, 0.0)
    assert quarter[0] == pytest.approx(10_007_557, abs=1)
    assert np.isnan(quarter[1])
    # places opposite each other are half a circle apart, whatever the rounding: 20015.115 km
    latitude = np.linspace(-89.0, 89.0, 179)
    assert great_circle_m(latitude, 12.3, -latitude, 192.3) == pytest.approx(20_015_115, abs=3)


# Names alone


@pytest.mark.parametrize(
    "name", ["012", "12", "12A", "12/1", "12-1", "T12", "Tower 12", "1E2", "100", "12-Jan", "#"]
)
def test_written_to_the_letter_beats_everything(name):
    # `12A`, `012`, `12/1` are different towers (the data dictionary's own words)
    register = ["012", "12", "12A", "12/1", "12-1", "T12", "Tower 12", "1E2", "100", "12-Jan", "1/12", "#"]
    assert one(name, register).to_list() == [name, "sure", "", name]


@pytest.mark.parametrize(
    ("name", "tower"),
    [
        ("12a", "12A"),
        ("t12", "T12"),
        (" 12A ", "12A"),
        ("\u00a012A", "12A"),
        ("12\u200bA", "12A"),
        ("\uff11\uff12A", "12A"),
        ("\u0661\u0662A", "12A"),
        ("'12A", "12A"),
        ("tower  7", "Tower 7"),
        ("12\u20441", "12/1"),
    ],
)
def test_harmless_spelling_is_sure_and_reported(name, tower):
    found = one(name, ["12A", "T12", "Tower 7", "12/1", "12"])
    assert (found["tower_id"], found["certainty"]) == (tower, "sure")
    assert found["reason"] == (
        f'"{name}" is taken as tower {tower}: the names differ only in capitals, spaces or look-alike signs.'
    )


def test_capitals_that_distinguish_two_towers_are_a_question():
    assert one("12a", ["12a", "12A"])["tower_id"] == "12a"
    assert one("12a ", ["12a", "12A"])["candidates"] == "12A; 12a"
    assert one("12a ", ["12a", "12A"])["certainty"] == "none"


PROBABLE = [  # name, register, tower, words of the reason; common practice of crews unless said otherwise
    *[
        (name, ["12", "112", "12A"], "12", "prefix")
        for name in [
            *[
                "T-12",
                "T12",
                "t 12",
                "Tower 12",
                "TOWER-12",
                "Twr.12",
                "Mast 12",
                "No 12",
                "No. 12",
                "Nr 12",
                "N° 12",
            ],
            *["№12", "pylon 12", "struct 12", "Structure 12", "Tower No. 12", "TowerNo12", "T/12"],
        ]
    ],
    ("#12", ["12", "112"], "12", "spaces or signs"),
    ("12", ["T012", "T112"], "T012", "prefix and leading zeros"),
    ("T12", ["T012", "T112"], "T012", "leading zeros"),
    ("Mast 12", ["T012", "T112"], "T012", "prefix and leading zeros"),
    ("012", ["12", "120"], "12", "leading zeros"),
    ("12", ["012", "120"], "012", "leading zeros"),
    ("000", ["0"], "0", "leading zeros"),
    ("12 A", ["12A", "12"], "12A", "spaces or signs"),
    ("12-A", ["12A", "12"], "12A", "spaces or signs"),
    ("12A", ["12-A", "12"], "12-A", "spaces or signs"),
    ("T-012 a", ["12A", "12"], "12A", "prefix and leading zeros and spaces or signs"),
    ("12 bis", ["12bis", "12"], "12bis", "spaces or signs"),
    ("12 BIS", ["12bis", "12"], "12bis", "spaces or signs"),
    ("12b", ["12bis", "12"], "12bis", "ending"),
    ("12 bis", ["12B", "12"], "12B", "ending"),
    ("12 new", ["12N", "12"], "12N", "ending"),
    ("12-1", ["12/1", "121"], "12/1", "spaces or signs"),
    ("12.1", ["12/1", "121"], "12/1", "spaces or signs"),
    ("12 1", ["12/1", "121"], "12/1", "spaces or signs"),
    ("12/01", ["12/1", "121"], "12/1", "leading zeros"),
    ("12/1", ["12.1", "121"], "12.1", "spaces or signs"),
    ("12L", ["12", "13L"], "12", "ending"),
    ("12 left", ["12", "13L"], "12", "ending"),
    ("12", ["12L", "13L"], "12L", "ending"),
    ("12 left", ["12", "12L", "12R"], "12L", "the word for the side"),
    ("12 RH", ["12", "12L", "12R"], "12R", "the word for the side"),
    ("T12", ["12", "12L", "12R"], "12", "prefix"),
    ("7", ["BF-007", "BF-008"], "BF-007", "first letters"),
    ("BF7", ["BF-007", "BF-008"], "BF-007", "leading zeros"),
    ("12.0", ["12", "120"], "12", "spreadsheet"),
    ("12,00", ["12", "120"], "12", "spreadsheet"),
    ("12.1", ["12/10", "12/2"], "12/10", "spreadsheet"),
    ("12-Jan", ["12/1", "12/2"], "12/1", "spreadsheet"),
    ("12-Jan", ["1/12", "12/2"], "1/12", "spreadsheet"),
    ("12-jan", ["12-1"], "12-1", "spreadsheet"),
    ("Jan-12", ["12/1"], "12/1", "spreadsheet"),
    ("Jan-12", ["1/12"], "1/12", "spreadsheet"),
    ("12-Jan-26", ["12/1"], "12/1", "spreadsheet"),
    ("12. Dez", ["12/12"], "12/12", "spreadsheet"),
    ("12-août", ["12/8"], "12/8", "spreadsheet"),
    ("12.01.2026", ["12/1"], "12/1", "spreadsheet"),
    ("1/12/2026", ["12/1"], "12/1", "spreadsheet"),
    ("1/12/2026", ["1/12"], "1/12", "spreadsheet"),
    ("1/12/2026 12:00:00 AM", ["1/12"], "1/12", "spreadsheet"),
    ("25.01.2026", ["25/1"], "25/1", "spreadsheet"),
    ("12/25/2026", ["25/12"], "25/12", "spreadsheet"),
    ("Jan-45", ["1/45", "1/1"], "1/45", "spreadsheet"),
    ("1945-01-01 00:00:00", ["1/45"], "1/45", "spreadsheet"),
    ("1E+02", ["1E2", "10"], "1E2", "spreadsheet"),
    ("1.00E+02", ["1E2", "10"], "1E2", "spreadsheet"),
    ("1,00E+02", ["1E2", "10"], "1E2", "spreadsheet"),
    ("100", ["1E2", "10"], "1E2", "spreadsheet"),
    ("1.23E+04", ["123E2", "124E2"], "123E2", "spreadsheet"),
    ("1.23E+04", ["12345", "12545"], "12345", "spreadsheet"),
]


@pytest.mark.parametrize(("name", "register", "tower", "words"), PROBABLE)
def test_one_candidate_is_probable_and_reported(name, register, tower, words):
    found = one(name, register)
    assert (found["tower_id"], found["certainty"], found["candidates"]) == (tower, "probable", tower)
    assert found["reason"].startswith(f'"{name}" is taken as tower {tower}: ')
    assert words in found["reason"]


QUESTIONS = [  # name, register, candidates
    ("T-12", ["12", "012"], "012; 12"),
    ("T-1", ["T1", "1"], "1; T1"),  # numbering restarted at a tee
    ("Tower 12", ["T12", "Mast 12"], "Mast 12; T12"),
    ("12", ["12L", "12R"], "12L; 12R"),
    ("12L", ["12R", "13L"], "12R"),
    ("12L", ["12", "12R"], "12; 12R"),
    ("12 1", ["12/1", "12-1"], "12-1; 12/1"),
    ("12.1", ["12/1", "12/10"], "12/1; 12/10"),
    ("12.10", ["12/1", "12/10"], "12/1; 12/10"),
    ("12.0", ["12", "12/0"], "12; 12/0"),
    ("12-Jan", ["12/1", "1/12"], "1/12; 12/1"),
    ("Jan-12", ["12/1", "1/12"], "1/12; 12/1"),
    ("2026-01-12 00:00:00", ["12/1", "1/12"], "1/12; 12/1"),
    ("12.01.2026", ["12/1", "1-12"], "1-12; 12/1"),
    ("2026-01-01", ["1/1", "1/26"], "1/1; 1/26"),  # the first of a month may be month and year
    ("1E+02", ["1E2", "100"], "100; 1E2"),
    ("100.0", ["1E2", "100"], "100; 1E2"),
    ("12C", ["12", "12A", "13"], "12; 12A"),  # the same number is named, not taken
    ("12", ["12A", "12B"], "12A; 12B"),
    ("12?", ["12"], "12"),
    ("12 marker", ["12/3"], ""),  # no month
    ("12 or 13", ["12", "13"], ""),
    ("12, 13", ["12/13", "12"], "12/13"),  # two names in a cell
    ("1.23E+04", ["12300", "12345"], "12300; 12345"),  # both are shown so
    ("13-Feb-31", ["13/3"], ""),
    ("40-Jan", ["40/1"], ""),
    ("121", ["12/1", "12-1"], ""),
    ("99", ["12"], ""),
    ("E12", ["12", "13"], "12"),
    ("\u00b2", ["2"], ""),
    ("9" * 5000, ["9"], ""),
]


@pytest.mark.parametrize(("name", "register", "candidates"), QUESTIONS)
def test_what_stays_a_question(name, register, candidates):
    found = one(name, register)
    assert pd.isna(found["tower_id"])
    assert (found["certainty"], found["candidates"]) == ("none", candidates)
    assert found["reason"].endswith("Which tower was it?")
    assert all(tower in found["reason"] for tower in candidates.split("; "))


@pytest.mark.parametrize("blank", [None, np.nan, "", "  ", "\u00a0", "-", "\u2014", "?"])
def test_no_name_is_a_question(blank):
    found = match(pd.Series([blank], dtype="str"), ["12", "-1"]).iloc[0]
    assert pd.isna(found["tower_id"])
    assert found.iloc[1:].to_list() == ["none", "No tower name was written. Which tower was it?", ""]


def test_sentences_of_questions():
    several = [f"12{letter}" for letter in "ABCDEFGH"]
    assert one("12", ["12L", "12R"])["reason"] == (
        '"12" could mean more than one tower of the register: 12L, 12R. Which tower was it?'
    )
    assert one("12L", ["12R"])["reason"] == (
        '"12L" is no tower of the register, which has only the other side: 12R. Which tower was it?'
    )
    assert "Of the same number: 12A, 12B, 12C, 12D, 12E, 12F and 2 more." in one("12", several)["reason"]


# Names and positions


TWINS = north(_12L=0, _12R=350, _13=700, _14=1050)


@pytest.mark.parametrize(
    ("metres", "tower"),
    [(90, None), (40, "12L"), (290, None), (355, "12R"), (175, None), (700, None)],
)
def test_a_position_decides_between_candidates(metres, tower):
    # from 40 m: 12L is within 100 m and 12R further than 300 m; from 90 m, 12R is only 260 m away
    found = one("12", TWINS.index, (metres * METRE, 30.0), TWINS)
    assert found["certainty"] == ("none" if tower is None else "probable")
    assert pd.isna(found["tower_id"]) if tower is None else found["tower_id"] == tower


def test_a_position_that_decides_is_reported():
    assert one("T12", TWINS.index, (40 * METRE, 30.0), TWINS)["reason"] == (
        '"T12" could mean 12L, 12R. It is taken as 12L: '
        "the crew stood 40 m from that tower and not near the others."
    )


def test_a_candidate_without_a_position_may_be_the_one():
    found = one("12", TWINS.index, (40 * METRE, 30.0), TWINS.drop(index="12R"))
    assert found["certainty"] == "none"


def test_the_other_side_is_not_taken_even_from_beside_it():
    found = one("14L", ["14R", "13"], (1050 * METRE, 30.0), north(_14R=1050, _13=700))
    assert (found["certainty"], found["candidates"]) == ("none", "14R")


def test_a_position_that_agrees_is_reported():
    found = one("T13", TWINS.index, (712 * METRE, 30.0), TWINS)
    assert (found["tower_id"], found["certainty"]) == ("13", "probable")
    assert found["reason"].endswith("fits. The crew stood 12 m from it; the next tower is 338 m away.")
    half_way = one("T13", TWINS.index, (850 * METRE, 30.0), TWINS)
    assert half_way["reason"].endswith("fits. The crew stood 150 m from it.")
    beyond = one("T13", TWINS.index, (890 * METRE, 30.0), TWINS)
    assert beyond["reason"].endswith("The crew stood 190 m from it; the nearest tower is 14, 160 m away.")


def test_a_probable_name_from_another_tower_is_a_question():
    found = one("T13", TWINS.index, (1040 * METRE, 30.0), TWINS)
    assert (found["certainty"], found["candidates"]) == ("none", "13; 14")
    assert found["reason"] == (
        '"T13" could be tower 13, but the crew stood 340 m from it; the nearest tower is 14, 10 m away. '
        "Which tower was it?"
    )


@pytest.mark.parametrize("name", ["13", " 13"])
def test_a_sure_name_stays_sure_wherever_the_crew_stood(name):
    found = one(name, TWINS.index, (1040 * METRE, 30.0), TWINS)
    assert (found["tower_id"], found["certainty"]) == ("13", "sure")
    assert found["reason"].endswith("The crew stood 340 m from it; the nearest tower is 14, 10 m away.")


def test_a_sure_name_nearer_to_its_namesake_is_remarked():
    places = north(_12=0, _012=250)
    assert one("12", places.index, (200 * METRE, 30.0), places)["reason"] == (
        "The crew stood 200 m from it; the nearest tower is 012, 50 m away."
    )
    beside = north(_12=0, _012=65)  # a receiver cannot tell these two apart
    assert one("12", beside.index, (60 * METRE, 30.0), beside)["reason"] == ""


def test_a_position_off_the_line_decides_nothing():
    # 0/0 is what a receiver without a fix writes; 30° of the equator are 30 × 111.195 km = 3,336 km
    for name, certainty in [("13", "sure"), ("T13", "probable"), ("12", "none")]:
        found = one(name, TWINS.index, (0.0, 0.0), TWINS)
        assert found["certainty"] == certainty
        assert "The recorded position is 3,336 km from" in found["reason"]
    assert found["candidates"] == "12L; 12R"
    assert one("99", TWINS.index, (0.0, 0.0), TWINS)["candidates"] == ""


@pytest.mark.parametrize("name", ["99", None, "12"])
def test_a_position_alone_names_no_tower(name):
    found = match(
        pd.Series([name], dtype="str"),
        TWINS.index,
        positions=TWINS.loc[["13"]].reset_index(drop=True),
        register_positions=TWINS,
    ).iloc[0]
    assert pd.isna(found["tower_id"])
    assert found["candidates"].endswith("13")
    assert found["reason"].endswith(
        "The crew stood 0 m from tower 13; a position alone does not name a tower."
    )


@pytest.mark.parametrize(
    "stood", [(np.nan, np.nan), (0.0, np.nan), (91.0, 30.0), (0.0, 400.0), (np.inf, 30.0)]
)
def test_a_blank_or_impossible_position_changes_nothing(stood):
    for name in ["13", "T13", "12", "99"]:
        assert one(name, TWINS.index, stood, TWINS).equals(one(name, TWINS.index))


def test_towers_without_positions_change_nothing():
    nowhere = TWINS.assign(latitude_deg=np.nan)
    assert one("T13", TWINS.index, (0.0, 30.0), nowhere).equals(one("T13", TWINS.index))
    unplaced = one("T13", TWINS.index, (700 * METRE, 30.0), TWINS.drop(index="13"))
    assert unplaced.equals(one("T13", TWINS.index))


def test_a_place_of_no_register_tower_is_not_named():
    found = one("99", ["12L", "12R"], (1050 * METRE, 30.0), TWINS)
    assert found["candidates"] == "12R"


def test_a_register_of_one_tower():
    found = one("T12", ["12"], (40 * METRE, 30.0), north(_12=0))
    assert found["reason"].endswith("The crew stood 40 m from it.")


def test_positions_of_other_rows_are_refused():
    with pytest.raises(ValueError, match="positions must have the index of names"):
        match(pd.Series(["12"]), ["12"], positions=TWINS, register_positions=TWINS)


# Tables


def test_the_index_and_the_inputs_stay_as_they_were():
    names = pd.Series(["12", "T13", None, "12"], index=[7, 3, 3, 1], dtype="str")
    positions = TWINS.set_axis(names.index)
    before = names.copy(), positions.copy(), TWINS.copy()
    found = match(names, TWINS.index, positions=positions, register_positions=TWINS)
    assert found.index.equals(names.index)
    assert found.columns.to_list() == ["tower_id", "certainty", "reason", "candidates"]
    assert set(found.dtypes.astype("str")) == {"str"}
    assert names.equals(before[0])
    assert positions.equals(before[1])
    assert TWINS.equals(before[2])


def test_empty_tables():
    assert match(pd.Series([], dtype="str"), ["12"]).shape == (0, 4)
    assert match(
        pd.Series([], dtype="str"), [], positions=TWINS[:0].reset_index(), register_positions=TWINS
    ).empty
    assert match(pd.Series(["12"]), [])["certainty"].to_list() == ["none"]
    assert match(pd.Series(["12"]), [None, "", " "])["certainty"].to_list() == ["none"]


def test_rows_with_and_without_positions_side_by_side():
    names = pd.Series(["12"] * 3, index=["a", "b", "c"])
    positions = pd.DataFrame(
        {"latitude_deg": [0.0, np.nan, 350 * METRE], "longitude_deg": 30.0}, index=names.index
    )
    found = match(names, TWINS.index, positions=positions, register_positions=TWINS)
    assert found["tower_id"].fillna("?").to_dict() == {"a": "12L", "b": "?", "c": "12R"}


# Laws


NAMES = st.one_of(
    st.text(max_size=6),
    st.from_regex(
        r"(T|Tower |No )?[-#]?0?(1|2|12)[ /.,-]?(0|1|2|A|B|L|R|bis| left|E2|e\+02)?", fullmatch=True
    ),
    st.from_regex(r"(1|2|12)[-./](Jan|1|2|12)([-./](26|2026))?", fullmatch=True),
)
REGISTERS = st.lists(NAMES.filter(str.strip), min_size=1, max_size=12, unique=True)


@given(REGISTERS, st.data())
def test_a_register_id_is_sure_for_itself(register, draw):
    name = draw.draw(st.sampled_from(register))
    assert one(name, register)[["tower_id", "certainty", "reason"]].to_list() == [name, "sure", ""]


@given(st.lists(NAMES, min_size=1, max_size=12), REGISTERS, st.randoms(use_true_random=False))
@example(["12 1", "T12"], ["12/1", "12-1", "T12", "12"], None)
def test_a_result_is_a_register_tower_or_a_question(names, register, shuffler):
    found = match(pd.Series(names, dtype="str"), register)
    missing = found["tower_id"].isna()
    assert set(found["tower_id"].dropna()) <= set(register)
    assert (missing == (found["certainty"] == "none")).all()
    assert found["certainty"].isin(["sure", "probable", "none"]).all()
    assert (found["reason"] != "")[found["certainty"] != "sure"].all()
    shuffled = sorted(register, reverse=True)
    if shuffler:
        shuffler.shuffle(shuffled)
    assert match(pd.Series(names, dtype="str"), shuffled).equals(found)


DEGREES = st.floats(-0.02, 0.02) | st.just(np.nan)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(NAMES, DEGREES, DEGREES), min_size=1, max_size=8), REGISTERS, st.data())
def test_a_position_only_decides_among_what_a_name_could_mean(visits, register, draw):
    names = pd.Series([name for name, _, _ in visits], dtype="str")
    positions = pd.DataFrame([stood for _, *stood in visits], columns=["latitude_deg", "longitude_deg"])
    points = draw.draw(st.lists(st.tuples(DEGREES, DEGREES), min_size=len(register), max_size=len(register)))
    places = pd.DataFrame(points, columns=positions.columns, index=register)
    alone = match(names, register)
    found = match(names, register, positions=positions, register_positions=places)
    sure = alone["certainty"] == "sure"
    assert found.loc[sure, ["tower_id", "certainty"]].equals(alone.loc[sure, ["tower_id", "certainty"]])
    assert (found["tower_id"].isna() == (found["certainty"] == "none")).all()
    named = found["tower_id"].notna()
    for tower, candidates in zip(found.loc[named, "tower_id"], alone.loc[named, "candidates"], strict=True):
        assert f"; {tower}; " in f"; {candidates}; "

"""One month against the last: every planted change is found, and nothing else."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from folders import LINE, line_folder

from towerlib import assessment, changes
from towerlib.changes import differences, match, months
from towerlib.readings.trends import history

HEAD = (
    "visit_id,tower_id,date,method,impedance_ohm,test_frequency_hz,soil_state,leads_missing,bond_seen,"
    "potential_probe_distance_m,current_probe_distance_m,potential_probe_bearing_deg,current_probe_bearing_deg\n"
)
SET_UP = "46,75,90,90"
NOMINAL = 0.0027  # two-sided chance beyond 3 standard deviations; 99.73 % within: JCGM 100:2008, table G.1


def row(visit_id, tower_id, date, ohm, *, leads="0", bond="sound", soil="dry", set_up=SET_UP):
    """One line of ``visits.csv``."""
    return f"{visit_id},{tower_id},{date},leg coils,{ohm},128,{soil},{leads},{bond},{set_up}\n"


def towers(*names):
    """A register along a parallel; a name is given as name or name@place."""
    placed = [(name.split("@")[0], int(name.split("@")[-1].rstrip("A"))) for name in names]
    lines = [f"{name},-31,{-20 + place * 0.003:.4f},{place}\n" for name, place in placed]
    return "tower_id,latitude_deg,longitude_deg,sequence\n" + "".join(lines)


def study_of(place, register, visits, month, works=""):
    """A small line assessed as of a month."""
    works_csv = "tower_id,date,treatment\n" + works if works else None
    files = {"towers_csv": register, "visits_csv": HEAD + visits, "works_csv": works_csv, "line_toml": LINE}
    return assessment.assess(line_folder(place, **files).parent / place.name, month)


OHMS = {1: 8, 2: 8, 3: 16, 4: 30, 5: 30, 6: 30, 7: 60, 10: 7, 11: 9, 13: 14.9, 14: 6, 15: 5, 16: 12, 17: 8}
FIRST = "".join(row(f"a{tower}", tower, "2024-09-10", ohm) for tower, ohm in OHMS.items())
FIRST += row("o16", 16, "2023-09-10", 11) + row("a8", 8, "2022-06-15", 30)
WORKS = "4,2025-05-01,deep rod\n5,2025-05-02,deep rod\n6,2025-05-03,deep rod\n7,2025-05-04,extra rods\n"
NOW = {1: 8.3, 2: 16, 3: 8, 4: 10, 6: 29, 7: 25, 13: 15.2, 14: 6}


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    """Two months of a line with one thing changed at each tower: name, readings, works, records."""
    place = tmp_path_factory.mktemp("planted")
    names = [str(number) for number in range(1, 18)]
    before = study_of(
        place / "may", towers(*[name for name in names if name != "12"]), FIRST, "2026-05", WORKS
    )
    visits = FIRST.replace("a11,11,", "a11,11A,").replace(row("a10", 10, "2024-09-10", 7), "")
    visits = visits.replace(row("a15", 15, "2024-09-10", 5), row("a15", 15, "2024-09-10", 50))
    visits = visits.replace(row("a16", 16, "2024-09-10", 12), "")
    visits += "".join(
        row(f"b{tower}", tower, "2026-06-12", ohm, leads="2" if tower == 14 else "0")
        for tower, ohm in NOW.items()
    )
    visits += row("b17", 17, "2026-06-12", 11.5, soil="wet", set_up="30,48,90,90")
    names = [name.replace("11", "11A@11") for name in names if name != "10"]
    now = study_of(place / "june", towers(*names), visits, "2026-06", WORKS)
    return SimpleNamespace(now=now, before=before, found=changes.compare(now, months.of(before)))


def towers_of(found, kind):
    """Towers of one kind."""
    return set(found.table["tower_id"][found.table["kind"] == kind])


def test_every_planted_change_is_found_and_nothing_else(planted):
    found = {kind: towers_of(planted.found, kind) for kind in changes.KINDS}
    assert found == {
        "new tower": {"12"},
        "renamed": {"11A"},
        "gone from data": {"10", "16"},
        "record corrected": {"15"},
        "worsened": {"2", "14"},
        "improved": {"3"},
        "fixed and verified": {"4"},
        "treated, still above limit": {"7"},
        "fixed not verified": {"5"},
        "treatment did not work": {"6"},
        "overdue": {"8"},
        "never tested": {"9", "12"},
        "queue changed": {"2", "3", "4", "13", "14", "15"},
    }


def test_one_row_a_tower_and_kind(planted):
    assert list(planted.found.table.columns) == changes.COLUMNS
    assert not planted.found.table.duplicated(["kind", "tower_id"]).any()
    assert set(planted.found.table["against"]) == {"2026-05"}


def test_what_is_new_on_a_list_is_told(planted):
    since = planted.found.table.set_index(["kind", "tower_id"])["since"]
    assert since["overdue", "8"] == "this month"  # four years after 15 June 2022, above the limit
    assert since["never tested", "9"] == "before"
    assert since["never tested", "12"] == "this month"
    assert since["fixed not verified", "5"] == "before"


def test_figures_of_a_change_by_hand(planted):
    """Doubled: ln 2 over √2·u, u² = (5 %/√3)² + (5 %)² by JCGM 100:2008, 4.3.7 and 5.1.2."""
    row_of = planted.found.table.set_index(["kind", "tower_id"]).loc[("worsened", "2")]
    u = np.hypot(0.05 / np.sqrt(3), 0.05)
    assert (row_of["before"], row_of["after"]) == pytest.approx((8.0, 16.0))
    assert row_of["unit"] == "Ω"
    assert row_of["z"] == pytest.approx(np.log(2) / (np.sqrt(2) * u))
    assert row_of["uncertainty"] == pytest.approx(np.hypot(8 * u, 16 * u))
    assert "2024-09-10" in row_of["sentence"]
    assert "comparable readings" in row_of["sentence"]


def test_a_queue_that_moved_within_the_uncertainty_says_so(planted):
    sentences = planted.found.table.set_index(["kind", "tower_id"])["sentence"]
    assert "within the uncertainty" in sentences["queue changed", "13"]
    assert "beyond the uncertainty" in sentences["queue changed", "2"]
    assert "leads missing 2 after 0" in sentences["queue changed", "14"]
    assert "over a treatment (fixed and verified)" in sentences["queue changed", "4"]


def test_a_name_that_changed_keeps_its_history(planted):
    """Position tells the tower: it is neither new nor gone, and its reading is no news."""
    about = planted.found.table[planted.found.table["tower_id"].isin(["11", "11A"])]
    assert about["kind"].to_list() == ["renamed"]
    assert (about["state_before"].item(), about["state_after"].item()) == ("11", "11A")


def test_the_summary_counts_every_kind(planted):
    told = changes.summary(planted.found).set_index("kind")
    assert list(told.index) == list(changes.KINDS)
    assert told.loc["queue changed", ["count", "new_count"]].to_list() == [6, 6]
    assert told.loc["never tested", "words"].startswith("2 towers: never tested, 1 of them new this month")
    assert told["count"].sum() == len(planted.found.table)


def test_a_month_against_itself_only_lists_what_stands(planted):
    same = changes.compare(planted.now, months.of(planted.now))
    listed = {"treated, still above limit", "fixed not verified", "treatment did not work", "overdue"}
    assert set(same.table["kind"]) == listed | {"never tested"}
    assert (same.table["since"] == "before").all()


def test_nothing_handed_over_is_changed(planted):
    condition, currents = planted.now.condition.copy(), planted.now.currents.copy()
    changes.compare(planted.now, months.of(planted.before))
    pd.testing.assert_frame_equal(planted.now.condition, condition)
    pd.testing.assert_frame_equal(planted.now.currents, currents)


def test_the_first_month_lists_what_stands(tmp_path):
    study = study_of(tmp_path / "one", towers("1", "2"), row("a", 1, "2026-06-02", 8), "2026-06")
    found = changes.against_last(study, tmp_path / "reports")
    assert (found.against, found.source) == ("", "")
    assert found.table["kind"].to_list() == ["never tested"]
    assert found.table["since"].isna().all()
    assert "first month" in found.remarks[-1]
    assert changes.summary(found)["count"].sum() == 1


def test_without_a_report_the_same_records_stand_for_the_month_before(planted):
    again = months.repeated(planted.now)
    by_hand = assessment.assess(planted.now.records.folder.parent / "june", "2026-05")
    known = [name for name in again.condition if name in by_hand.condition]
    pd.testing.assert_frame_equal(again.condition[known], by_hand.condition[known], check_dtype=False)
    queue = by_hand.priority.set_index("tower_id")["queue"]
    assert again.priority.set_index("tower_id")["queue"].to_dict() == queue.to_dict()
    found = changes.against_last(planted.now)
    assert (found.against, found.source) == ("2026-05", months.REPEATED)
    assert towers_of(found, "worsened") == {"2", "14"}
    assert not towers_of(found, "new tower")
    assert "cannot show a new" in found.remarks[-1]


def test_a_month_without_visits_is_that_before_but_for_what_falls_due(planted, monkeypatch):
    later = assessment.assess(planted.now.records.folder.parent / "june", "2026-07")
    monkeypatch.setattr(months, "_assessed", None)  # would be called were anything assessed again
    found = changes.against_last(later)
    assert set(found.table["since"]) == {"before"}


# ---- false alarms and misses ----------------------------------------------------------------------------------


def side_by_side(ohm_before, ohm_now, low, high):
    """Two readings of each tower that stand in either month, with intervals by factors low and high."""
    ids = pd.Series(np.arange(len(ohm_now)).astype(str))
    sides = {"tower_id": ids}
    for end, ohm, day in (("before", ohm_before, "2024-09-10"), ("now", ohm_now, "2026-06-10")):
        sides |= {f"footing_ohm_{end}": ohm, f"footing_visit_id_{end}": f"{end}-" + ids}
        sides |= {f"footing_low_ohm_{end}": ohm * low, f"footing_high_ohm_{end}": ohm * high}
        sides |= {f"footing_date_{end}": pd.Timestamp(day)}
    return pd.DataFrame(sides)


def nothing_alike(both):
    """No pair of readings taken alike."""
    blank = {"jump_z": np.nan, "last_ohm": np.nan, "previous_ohm": np.nan}
    return both[["tower_id"]].assign(**blank, last_date=pd.NaT, previous_date=pd.NaT)


def test_unchanged_footings_stay_silent_as_often_as_they_should():
    """Readings scattered by their own intervals: 2.5 % and 97.5 % points of a log-normal."""
    draw, count = np.random.default_rng(7), 200_000
    sigma = np.log(1.3) / 1.959964
    ohm = 20 * np.exp(sigma * draw.standard_normal((2, count)))
    both = side_by_side(*ohm, 1 / 1.3, 1.3)
    found = sum(len(part) for part in differences.footings(both, nothing_alike(both)))
    assert found / count == pytest.approx(NOMINAL, abs=4 * np.sqrt(NOMINAL / count))


def test_unchanged_footings_with_uneven_intervals_stay_silent():
    """A band that reaches further up (season) than down: the true footing lies where the band lets it."""
    draw, count = np.random.default_rng(8), 200_000
    low, high = 1 / 1.3, 1.3 * 1.8
    normal = draw.standard_normal((2, count))
    deviation = (
        np.where(normal > 0, np.log(1 / low), np.log(high)) / 1.959964
    )  # a reading below is one with much above it
    both = side_by_side(*(20 * np.exp(deviation * normal)), low, high)
    found = sum(len(part) for part in differences.footings(both, nothing_alike(both)))
    assert found / count < 1.5 * NOMINAL


def test_unchanged_footings_taken_alike_stay_silent():
    """Instrument rectangular within 5 %, soil normal by 5 %, through the history of the readings."""
    draw, count = np.random.default_rng(9), 6000
    error = draw.uniform(-0.05, 0.05, (2, count)) + 0.05 * draw.standard_normal((2, count))
    both, told = alike(*(20 * np.exp(error)))
    found = sum(len(part) for part in differences.footings(both, told))
    assert found / count < NOMINAL + 4 * np.sqrt(NOMINAL / count)
    up, _ = differences.footings(*alike(*(np.array([[20.0], [30.0]]) * np.exp(error))))
    assert len(up) / count > 0.95  # half as much again: ln 1.5 = 5 standard uncertainties


def alike(ohm_before, ohm_now):
    """Two readings of each tower taken alike, with what the history says of them."""
    both = side_by_side(ohm_before, ohm_now, 1 / 1.3, 1.3)
    probes = {"potential_probe_distance_m": 46, "current_probe_distance_m": 75}
    probes |= {"potential_probe_bearing_deg": 90, "current_probe_bearing_deg": 90}
    visits = [
        pd.DataFrame(
            {"visit_id": both[f"footing_visit_id_{end}"], "tower_id": both["tower_id"], "method": "leg coils"}
            | {"date": both[f"footing_date_{end}"], "impedance_ohm": both[f"footing_ohm_{end}"]}
            | {"test_frequency_hz": 128, "soil_state": "dry"}
            | probes
        )
        for end in ("before", "now")
    ]
    works = pd.DataFrame({"tower_id": [], "date": pd.to_datetime([]), "treatment": []})
    register = pd.DataFrame({"tower_id": both["tower_id"], "ring": None})
    return both, history(pd.concat(visits, ignore_index=True), works, register)


def test_the_same_reading_is_never_a_change():
    both = side_by_side(np.array([10.0]), np.array([90.0]), 0.99, 1.01)
    both["footing_visit_id_before"] = both["footing_visit_id_now"]
    assert all(part.empty for part in differences.footings(both, nothing_alike(both)))


def test_a_reading_below_the_range_is_no_change():
    both = side_by_side(np.array([1.0]), np.array([9.0]), 1 / 1.3, 1.3).assign(footing_low_ohm_now=0.0)
    assert all(part.empty for part in differences.footings(both, nothing_alike(both)))


def currents(**more):
    """Leg currents of one tower in both months."""
    clean = {"tower_id": ["7"], "leg_share_u": 0.02, "leg_share_lambda": 0.05, "bond_state": "sound"}
    clean |= {"gap_u_ma": 10.0, "leakage_sum_ma": 200.0, "peer_class": "legs alone", "gap_fraction": 0.02}
    clean |= {"gap_fraction_low": 0.0, "cause_date": pd.NaT, "leakage_date": pd.NaT}
    sides = {f"{name}_{end}": value for name, value in clean.items() for end in ("now", "before")}
    return pd.DataFrame(sides | {"tower_id": ["7"]} | more)


@pytest.mark.parametrize(
    ("told", "more", "kinds"),
    [
        (differences.gaps, {}, []),
        (differences.gaps, {"gap_fraction_now": 0.7, "gap_fraction_low_now": 0.6}, ["worsened"]),
        (differences.gaps, {"gap_fraction_before": 0.7, "gap_fraction_low_before": 0.6}, ["improved"]),
        # wide in both months: it follows the load
        (
            differences.gaps,
            {"gap_fraction_now": 0.9, "gap_fraction_low_now": 0.8, "gap_fraction_before": 0.5}
            | {"gap_fraction_low_before": 0.4},
            [],
        ),
        # over the line, and within both uncertainties: 12 % against u = √2·5 %
        (differences.gaps, {"gap_fraction_now": 0.14, "gap_fraction_low_now": 0.01}, []),
        (
            differences.gaps,
            {"gap_fraction_now": 0.7, "gap_fraction_low_now": 0.6, "peer_class_now": "ring or other path"},
            [],
        ),
        (differences.leg_shares, {"leg_share_lambda_now": 0.9}, []),
        (
            differences.leg_shares,
            {"leg_share_lambda_now": 0.9, "bond_state_now": "open suspected"},
            ["worsened"],
        ),
        (differences.leg_shares, {"leg_share_lambda_now": 0.1, "bond_state_now": "worn"}, []),
        (
            differences.leg_shares,
            {"leg_share_lambda_before": 0.9, "bond_state_before": "worn"},
            ["improved"],
        ),
        (differences.leg_shares, {"leg_share_lambda_before": np.nan, "bond_state_now": "worn"}, []),
    ],
)
def test_leg_currents_count_where_verdict_and_figure_changed(told, more, kinds):
    assert [kind for part in told(currents(**more)) for kind in part["kind"]] == kinds


@pytest.mark.parametrize(
    ("name", "before", "now", "kinds"),
    [
        ("leads_missing", 0.0, 2.0, ["worsened"]),
        ("leads_missing", 2.0, 0.0, ["improved"]),
        ("leads_missing", np.nan, 2.0, []),
        ("corrosion", "none", "heavy", []),  # told where it moves the tower to another queue
        ("bond_seen", "sound", "missing", ["worsened"]),
        ("bond_seen", "damaged", "sound", ["improved"]),
        ("bond_seen", "damaged", "not seen", []),
    ],
)
def test_what_the_crew_saw(name, before, now, kinds):
    blank = {"leads_missing": np.nan, "corrosion": None, "bond_seen": None}
    sides = {f"{fact}_{end}": [value] for fact, value in blank.items() for end in ("now", "before")}
    both = pd.DataFrame({"tower_id": ["7"]} | sides | {f"{name}_before": [before], f"{name}_now": [now]})
    assert [kind for part in differences.seen(both) for kind in part["kind"]] == kinds


# ---- names and places -----------------------------------------------------------------------------------------


def placed(*names, step_deg=0.003, shift_deg=0.0):
    """Towers some 285 m apart."""
    east = -20 + step_deg * np.arange(len(names)) + shift_deg
    return pd.DataFrame({"tower_id": list(names), "latitude_deg": -31.0, "longitude_deg": east})


def paired(now, before):
    """Pairs of names."""
    table = match.pair(now, before)
    return set(zip(table["tower_id"].fillna(""), table["earlier_id"].fillna(""), strict=True))


def test_a_line_counted_anew_is_told_by_place():
    """A tower was built in and all behind it took the next number."""
    before = placed("1", "2", "3", "4")
    now = pd.concat([placed("1", "2"), placed("3").assign(longitude_deg=-19.9955)])
    now = pd.concat([now, placed("4", "5", shift_deg=0.006)])
    assert paired(now, before) == {("1", "1"), ("2", "2"), ("3", ""), ("4", "3"), ("5", "4")}


def test_a_corrected_position_is_no_other_tower():
    assert paired(placed("1", "2", shift_deg=0.001), placed("1", "2")) == {("1", "1"), ("2", "2")}


@pytest.mark.parametrize(("metres", "same"), [(29.0, True), (31.0, False)])
def test_how_near_is_the_same_place(metres, same):
    """One second of arc north is 30.92 m on a sphere of 6378.1 km; here 6371 km: 111 195 m a degree."""
    now = placed("A").assign(latitude_deg=-31.0 + metres / 111_195.0)
    assert (("A", "1") in paired(now, placed("1"))) is same


def test_towers_side_by_side_keep_their_names():
    """Two lines on one route: the same name comes before the nearest place."""
    before = pd.concat([placed("1"), placed("1B", shift_deg=0.0002)])
    now = before.assign(longitude_deg=before["longitude_deg"] + 0.0001)
    assert paired(now, before) == {("1", "1"), ("1B", "1B")}

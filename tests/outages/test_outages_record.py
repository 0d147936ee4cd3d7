"""Trip-outs held against flashes: verdicts, places, ground flash density."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from folders import LINE, line_folder
from pyproj import Geod
from scipy import stats

from towerlib import config as settings_of
from towerlib import route
from towerlib.config.sections import OutageRecord
from towerlib.errors import SettingsError
from towerlib.outages import calibration, record
from towerlib.records.load import load

DEMO = Path(__file__).parents[2] / "data" / "demo"
LINES = sorted(folder.name for folder in DEMO.iterdir() if folder.is_dir())
SETTINGS = OutageRecord()
GEOD = Geod(ellps="WGS84")
END = pd.Timestamp("2026-07-01", tz="UTC")


@pytest.fixture(scope="module", params=LINES)
def demo(request):
    """Records of a demo line, its route and its flashes."""
    records = load(DEMO / request.param)
    laid = route.build(records.towers, records.line)
    return records, laid, record.near_line(records.flashes, laid)


@pytest.fixture(scope="module")
def straight():
    """A straight line to the east: 41 towers, 300 m apart."""
    longitude, latitude, _ = GEOD.fwd(*np.full((3, 41), [[-20.0], [-31.0], [90.0]]), 300.0 * np.arange(41))
    towers = pd.DataFrame({"tower_id": [f"T{k}" for k in range(41)], "sequence": np.arange(41.0)})
    towers = towers.assign(latitude_deg=latitude, longitude_deg=longitude)
    return route.build(towers, settings_of.parse('line = { id = "a", voltage_kv = 132, frequency_hz = 50 }'))


def trips(times, **columns):
    """Trip-outs at some instants."""
    blank = {"cause": "unknown", "tower_id": None, "distance_km": np.nan, "distance_error_km": np.nan}
    table = pd.DataFrame(
        {
            "outage_id": [f"o{k}" for k in range(len(times))],
            "time": pd.to_datetime(times, utc=True, format="ISO8601"),
        }
    )
    return table.assign(**(blank | columns)).astype({"cause": "str", "tower_id": "str"})


def flashes(times, distance_m=100.0, chainage_m=1000.0):
    """Flashes at some instants, near the line."""
    table = pd.DataFrame({"flash_time": pd.to_datetime(times, utc=True), "flash_distance_m": distance_m})
    return table.assign(flash_chainage_m=chainage_m, peak_current_ka=-30.0, semi_major_m=200.0)


# ---- which trip-outs were lightning


def test_planted_lightning_is_found(demo):
    """In the demo the trip-outs by lightning, and only these, are booked as lightning or unknown; 93 % of flashes listed."""
    records, _, near = demo
    judged = record.judge(records.outages, near, SETTINGS)
    planted = judged["cause"].isin(["lightning", "unknown"])
    assert judged["verdict"].isin(record.LIGHTNING)[~planted].sum() == 0
    by_flash = judged["verdict"] == record.BY_FLASH
    assert by_flash.sum() >= stats.binom.ppf(0.001, planted.sum(), 0.93)
    assert (judged.loc[planted & (judged["cause"] == "lightning"), "verdict"].isin(record.LIGHTNING)).all()
    assert judged.loc[by_flash, "flash_lag_ms"].between(-2, 8).all()  # what the demo's relays do


def test_window_and_distance_are_kept_to_the_letter():
    lightning = flashes(["2026-01-01T12:00:00.000Z", "2026-01-02T12:00:00.000Z"], [1000.0, 1000.1])
    at = ["2026-01-01T12:00:00.010Z", "2026-01-02T12:00:00.000Z"]
    assert record.judge(trips(at), lightning, SETTINGS)["verdict"].tolist() == [
        record.BY_FLASH,
        record.IN_STORM,
    ]
    late = trips(["2026-01-01T12:00:00.011Z", "2026-01-01T11:59:59.989Z"])
    assert (record.judge(late, lightning, SETTINGS)["verdict"] == record.IN_STORM).all()
    wider = OutageRecord(window_ms=11)
    assert (record.judge(late, lightning, wider)["verdict"] == record.BY_FLASH).all()
    assert (
        record.judge(trips(at[1:]), lightning, OutageRecord(distance_m=1001))["verdict"][0] == record.BY_FLASH
    )


def test_zones_are_told_apart():
    lightning = flashes(["2026-01-01T12:00:00.000Z"])
    assert record.judge(trips(["2026-01-01T11:00:00.003-01:00"]), lightning, SETTINGS)["flash_lag_ms"][0] == 3
    assert (
        record.judge(trips(["2026-01-01T12:00:00.003-01:00"]), lightning, SETTINGS)["verdict"][0]
        == record.UNKNOWN
    )


def test_every_verdict_by_booking_and_storm():
    lightning = flashes(["2026-01-01T12:00:00Z"])
    near, storm, far = "2026-01-01T12:00:00.001Z", "2026-01-01T12:29:59Z", "2026-01-01T12:30:01Z"
    at = [near, storm, far, near, far, storm]
    causes = ["unknown", "unknown", None, "bird", "Lightning ", "bird"]
    judged = record.judge(trips(at, cause=causes), lightning, SETTINGS).set_index("outage_id")
    expected = [
        record.BY_FLASH,
        record.IN_STORM,
        record.UNKNOWN,
        record.BY_FLASH,
        record.BY_BOOKING,
        record.OTHER,
    ]
    assert judged.loc[[f"o{k}" for k in range(6)], "verdict"].tolist() == expected
    assert judged["booking_agrees"].loc[["o0", "o3"]].tolist() == [True, False]
    told = record.remarks(judged.reset_index(), lightning, SETTINGS)
    assert any("o3 (bird)" in sentence for sentence in told)


def test_of_two_flashes_the_nearer_in_time_counts():
    lightning = flashes(["2026-01-01T12:00:00.000Z", "2026-01-01T12:00:00.012Z"], chainage_m=[100.0, 9000.0])
    judged = record.judge(trips(["2026-01-01T12:00:00.007Z"]), lightning, SETTINGS)
    assert judged["flash_chainage_m"][0] == 9000.0


def test_a_clock_an_hour_off_is_pointed_at(demo):
    records, _, near = demo
    late = records.outages.assign(time=records.outages["time"] + pd.Timedelta(hours=1))
    judged = record.judge(late, near, SETTINGS)
    if (records.outages["cause"] == "lightning").sum() < 4:
        assert record.clock_shift(judged, near, SETTINGS) == (0.0, 0)  # too few to say so
        return
    hours, matched = record.clock_shift(judged, near, SETTINGS)
    assert hours == -1.0
    assert matched >= 3
    assert any("1 h earlier" in sentence for sentence in record.remarks(judged, near, SETTINGS))


def test_clocks_without_milliseconds_are_pointed_at():
    judged = record.judge(trips([f"2026-01-0{k}T12:00:00Z" for k in (1, 2, 3)]), flashes([]), SETTINGS)
    assert "outages.csv is a whole second" in record.remarks(judged, flashes([]), SETTINGS)[0]


def test_chance_matches_by_hand():
    """1001 flashes in 1000 s, 5 trip-outs, 10 ms to either side: 5 · 1.001 · 0.02."""
    start = pd.Timestamp("2026-01-01", tz="UTC")
    lightning = flashes(start + pd.to_timedelta(np.arange(1001), unit="s"))
    judged = record.judge(trips(["2025-01-01T00:00:00Z"] * 5), lightning, SETTINGS)
    assert record.chance_matches(judged, lightning, SETTINGS) == pytest.approx(5 * 1.001 * 0.02)


def test_nothing_on_record():
    assert record.judge(trips([]), flashes([]), SETTINGS).empty
    alone = record.judge(trips(["2026-01-01T12:00:00.003Z"]), flashes([]), SETTINGS)
    assert alone["verdict"].tolist() == [record.UNKNOWN]
    assert record.remarks(alone, flashes([]), SETTINGS) == []


def test_bad_rows_go_back_to_the_sender(tmp_path):
    """A time without zone, an unknown tower, a negative distance: rejected when read, with the reason."""
    rows = "a,2026-01-01T12:00:00,,\nb,2026-01-01T12:00:00Z,99,\nc,2026-01-01T12:00:00Z,,-3\nd,2026-01-01T12:00:00Z,2,\n"
    records = load(line_folder(tmp_path, outages_csv="outage_id,time,tower_id,distance_km\n" + rows))
    assert records.outages["outage_id"].tolist() == ["d"]
    reasons = " ".join(records.rejected["reason"])
    assert "no time zone" in reasons
    assert "is no tower of the register" in reasons


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("window_ms = 0", "window_ms"),
        ("detection_share = 1.5", "detection_share"),
        ("outages_from = 2026-01-01\noutages_to = 2025-01-01", "lies after"),
        ("windows_ms = 5", "window_ms"),
    ],
)
def test_senseless_settings_are_refused(text, words):
    with pytest.raises(SettingsError, match=words):
        settings_of.parse(f"{LINE}[outage_record]\n{text}\n")


# ---- where


def test_a_fault_distance_spreads_over_the_towers(straight):
    """By SciPy's normal distribution over the stretches halfway to the neighbours."""
    judged = record.judge(
        trips(["2026-01-01T12:00:00Z"], distance_km=3.1, distance_error_km=0.4), flashes([]), SETTINGS
    )
    weights, told = record.tower_weights(judged, straight, SETTINGS)
    chainage = straight.towers["chainage_m"].to_numpy()
    expected = stats.norm.cdf(chainage + 150, 3100, 400) - stats.norm.cdf(chainage - 150, 3100, 400)
    np.testing.assert_allclose(weights[0, 1:-1], expected[1:-1], atol=1e-6)
    assert weights.sum() == pytest.approx(1)
    assert told == []


def test_two_witnesses_are_weighed_by_their_errors(straight):
    """By hand: relay 6000 ± 300 m, flash 6300 m with a half axis of 353.22 m, so ± 300 m: 6150 ± 212 m."""
    judged = record.judge(
        trips(["2026-01-01T12:00:00Z"], distance_km=6.0, distance_error_km=0.3), flashes([]), SETTINGS
    )
    judged = judged.assign(flash_chainage_m=6300.0, semi_major_m=300 * np.sqrt(2 * np.log(2)))
    weights, _ = record.tower_weights(judged, straight, SETTINGS)
    chainage = straight.towers["chainage_m"].to_numpy()
    assert weights[0] @ chainage == pytest.approx(6150, abs=2)
    spread = np.sqrt(weights[0] @ (chainage - 6150) ** 2)
    assert spread == pytest.approx(
        np.hypot(300 / np.sqrt(2), 300 / np.sqrt(12)), rel=0.02
    )  # towers 300 m apart


def test_witnesses_that_contradict_each_other(straight):
    judged = record.judge(
        trips(["2026-01-01T12:00:00Z"], distance_km=2.0, distance_error_km=0.5), flashes([]), SETTINGS
    )
    judged = judged.assign(flash_chainage_m=9000.0, semi_major_m=200.0)
    weights, told = record.tower_weights(judged, straight, SETTINGS)
    assert weights[0] @ straight.towers["chainage_m"] == pytest.approx(9000, abs=20)
    assert "lie far apart" in told[0]


def test_a_named_tower_takes_all(straight):
    judged = record.judge(
        trips(["2026-01-01T12:00:00Z"], tower_id="T7", distance_km=1.0), flashes([]), SETTINGS
    )
    weights, _ = record.tower_weights(judged, straight, SETTINGS)
    assert weights[0].tolist() == [float(k == 7) for k in range(41)]


def test_places_that_cannot_be_used_are_named(straight):
    columns = {
        "tower_id": [None, "X9", None, None],
        "distance_km": [40.0, np.nan, np.nan, 4.0],
        "distance_error_km": [0.5, np.nan, np.nan, np.nan],
    }
    judged = record.judge(trips(["2026-01-01T12:00:00Z"] * 4, **columns), flashes([]), SETTINGS)
    weights, told = record.tower_weights(judged, straight, SETTINGS)
    np.testing.assert_allclose(weights.sum(axis=1), [0, 0, 0, 1])
    words = " ".join(told)
    assert "beyond the line of 12.0 km: o0" in words
    assert "not on the route: X9" in words
    assert "0.2 km is assumed, 2 % of the line" in words


def test_planted_places_get_most_of_the_weight(demo):
    """Towers of the demo's lightning, by the flash that was planted with the trip-out: within 1 km of it."""
    records, laid, near = demo
    judged = record.judge(records.outages, near, SETTINGS)
    weights, _ = record.tower_weights(judged, laid, SETTINGS)
    struck = (judged["verdict"] == record.BY_FLASH).to_numpy()
    apart = np.abs(laid.towers["chainage_m"].to_numpy() - judged["flash_chainage_m"].to_numpy()[:, None])
    near_m = (weights * (apart < 1000)).sum(axis=1)[struck]
    assert np.median(near_m) > 0.95


# ---- ground flash density


def planted(straight, per_km2_year, reach_m, years=10, seed=3):
    """Flashes spread evenly about the straight line, each located with a standard error of 150 m."""
    random = np.random.default_rng(seed)
    along = (-5000.0, straight.length_m + 5000.0)
    area_km2 = (along[1] - along[0]) * 2 * (reach_m + 1000) / 1e6
    count = random.poisson(per_km2_year * area_km2 * years)
    x, y = random.uniform(*along, count), random.uniform(-reach_m - 1000, reach_m + 1000, count)
    x, y = x + 150 * random.standard_normal(count), y + 150 * random.standard_normal(count)
    kept = np.abs(y) < reach_m  # the list ends there, by the located place
    x, y = x[kept], y[kept]
    at = pd.Timestamp("2016-01-01", tz="UTC") + pd.to_timedelta(
        random.uniform(0, years * 365.2425, len(x)), unit="D"
    )
    foot_lon, foot_lat, back = GEOD.fwd(
        np.full(len(x), -20.0), np.full(len(x), -31.0), np.full(len(x), 90.0), x
    )
    longitude, latitude, _ = GEOD.fwd(foot_lon, foot_lat, back + 90, y)
    table = pd.DataFrame({"time": at, "latitude_deg": latitude, "longitude_deg": longitude})
    return record.near_line(table.assign(peak_current_ka=-30.0, semi_major_m=150 * 1.1774), straight)


@pytest.mark.parametrize("reach_m", [1000.0, 3000.0])
def test_planted_density_is_found(straight, reach_m):
    found = calibration.local_density(planted(straight, 8.0, reach_m), straight, SETTINGS, END)
    assert found.low < 8.0 < found.high
    assert found.high / found.low < 1.25
    assert (
        found.corridor_m <= reach_m - 2 * 150 * 1.1774
    )  # inside the reach of the list by twice its location error
    assert found.corridor_m <= 1000
    assert found.per_km2_year == pytest.approx(8.0, rel=3 * found.u_log)
    assert found.years in (9, 10)  # the last flash may fall short of the tenth year


def test_density_is_count_over_area_over_years(straight):
    """Area of the corridor of a straight line by hand: its length times twice the width, within the grid's scale."""
    near = planted(straight, 8.0, 3000.0)
    chosen = OutageRecord(corridor_m=500, detection_share=0.8)
    found = calibration.local_density(near, straight, chosen, END)
    assert found.area_km2 == pytest.approx(straight.length_m * 1000 / 1e6, rel=5e-4)
    assert found.per_km2_year == pytest.approx(found.count / (found.area_km2 * found.years * 0.8))
    inside = near[
        (near["flash_distance_m"] < 500) & near["flash_chainage_m"].between(1, straight.length_m - 1)
    ]
    seen = inside[inside["flash_time"] >= found.first]
    assert found.count == len(seen)


def test_demo_density_within_what_storms_allow(demo):
    """Planted: the density of line.toml, of which 93 % is listed; few storms make the years differ."""
    records, laid, near = demo
    found = calibration.local_density(near, laid, SETTINGS, END)
    listed = 0.93 * records.line.lightning.ground_flash_density
    assert abs(np.log(found.per_km2_year / listed)) < 2 * found.u_log
    assert found.years == 7  # seven and a half years of record, whole ones counted
    assert any("7 years of flashes" in sentence for sentence in found.remarks)


def test_storms_widen_what_is_left_open(straight):
    """The same flashes all in one of ten years: variance over mean of the yearly counts is their number, times 10/9."""
    near = planted(straight, 8.0, 1000.0)
    even = calibration.local_density(near, straight, SETTINGS, END)
    assert even.year_spread < 4
    stormy = near.assign(flash_time=near["flash_time"].where(near.index < 2, near["flash_time"].iloc[500]))
    stormy.loc[stormy.index[-1], "flash_time"] = near["flash_time"].iloc[-1]
    chosen = OutageRecord(flashes_from="2016-01-01", flashes_to="2025-12-31")
    found = calibration.local_density(stormy, straight, chosen, END)
    assert found.year_spread == pytest.approx(found.count, rel=0.05)
    assert found.u_log > 0.9


def test_a_short_list_says_so(straight):
    near = planted(straight, 8.0, 1000.0, years=0.4)
    found = calibration.local_density(near, straight, SETTINGS, END)
    assert found.years == pytest.approx(0.4, abs=0.02)
    assert any("a part of a year gives no yearly density" in sentence for sentence in found.remarks)


def test_a_corridor_beyond_the_list_says_so(straight):
    found = calibration.local_density(
        planted(straight, 8.0, 1000.0), straight, OutageRecord(corridor_m=3000), END
    )
    assert found.per_km2_year < 4
    assert "the density is too low" in found.remarks[0]


def test_no_flash_no_density(straight):
    none = record.near_line(
        pd.DataFrame({"time": pd.to_datetime([], utc=True), "latitude_deg": [], "longitude_deg": []}),
        straight,
    )
    assert calibration.local_density(none, straight, SETTINGS, END) is None


def test_later_flashes_are_not_seen(straight):
    near = planted(straight, 8.0, 1000.0)
    early = calibration.local_density(near, straight, SETTINGS, pd.Timestamp("2020-01-01", tz="UTC"))
    assert early.last <= pd.Timestamp("2020-01-01", tz="UTC")
    assert early.years == pytest.approx(4, abs=1.01)

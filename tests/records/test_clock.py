"""Days in the future: asked about, never used, and never the month of a report."""

import pandas as pd
import pytest
from folders import VISITS, accounted, line_folder
from typer.testing import CliRunner

from towerlib import assessment, cli, months
from towerlib.errors import RecordsError, SettingsError
from towerlib.records.load import load


@pytest.fixture(autouse=True)
def day(monkeypatch):
    """The clock stands; a function sets it anew."""

    def stands(text):
        monkeypatch.setenv(months.TODAY, text)

    stands("2026-07-15")
    return stands


LATE = VISITS + "v3,4A,2062-03-01,leg coils,7\n"


def test_a_visit_in_the_future_is_asked_about(tmp_path):
    legs = "visit_id,leg,leakage_ma\nv1,A,2\nv3,A,3\n"
    records = load(line_folder(tmp_path / "low-moor", visits_csv=LATE, legs_csv=legs))
    assert records.visits["visit_id"].to_list() == ["v1", "v2"]
    listed = records.rejected.set_index("table").loc["visits"]
    assert listed[["row", "column", "value"]].to_list() == [4, "date", "2062-03-01"]
    assert "lies in the future" in listed["reason"]
    assert "2026-07-15" in listed["reason"]
    assert "its own row was rejected" in records.rejected.set_index("table").loc["legs", "reason"]
    assert accounted(records)


def test_the_month_of_a_report_never_comes_from_it(tmp_path):
    line_folder(tmp_path / "low-moor", visits_csv=LATE)
    assert assessment.assess(tmp_path / "low-moor").month == "2026-03"
    assert assessment.assess(tmp_path / "low-moor", "2026-05").records.rejected["row"].to_list() == [4]


@pytest.mark.parametrize(
    ("written", "is_used"), [("2026-07-15", True), ("2026-07-16", False), ("01.03.62", False)]
)
def test_today_itself_counts(tmp_path, written, is_used):
    visits = VISITS + f"v3,4A,{written},leg coils,7\n"
    assert (
        "v3" in load(line_folder(tmp_path / "low-moor", visits_csv=visits)).visits["visit_id"].to_list()
    ) == is_used


DONE = [
    ("soil", "tower_id,date,spacing_m,resistance_ohm\n1,{},2,8\n", "2026-07-16"),
    ("outages", "outage_id,time\no1,{}\n", "2026-07-16T00:00:00Z"),
    ("flashes", "time,latitude_deg,longitude_deg\n{},-31,-20\n", "2026-07-17T03:00:00+02:00"),
    ("works", "tower_id,date,treatment\n1,{},rods\n", "2031-01-01"),
]


@pytest.mark.parametrize(("table", "text", "late"), DONE)
def test_what_has_happened_is_not_in_the_future(tmp_path, table, text, late):
    for when, count in ((late, 1), (late.replace("2031", "2021").replace("2026", "2025"), 0)):
        records = load(line_folder(tmp_path / when[:4], **{f"{table}_csv": text.format(when)}))
        assert len(records.rejected) == count
        assert len(getattr(records, table)) == 1 - count
        assert accounted(records)


def test_a_calibration_holds_into_the_future(tmp_path):
    visits = "visit_id,tower_id,date,method,impedance_ohm,calibration_due\nv1,1,2026-03-01,leg coils,4.2,2027-05-01\n"
    assert load(line_folder(tmp_path / "low-moor", visits_csv=visits)).rejected.empty


def test_a_month_beyond_the_clock_counts_where_it_is_asked_for(tmp_path, day):
    """A machine whose clock is behind can still report a month that is stated."""
    day("2025-01-01")
    line_folder(tmp_path / "low-moor", visits_csv=LATE)
    with pytest.raises(RecordsError, match="lies in the future"):
        assessment.assess(tmp_path / "low-moor")
    records = assessment.assess(tmp_path / "low-moor", "2026-03").records
    assert records.visits["visit_id"].to_list() == ["v1", "v2"]


def test_the_same_rows_whether_a_month_of_the_past_is_stated_or_not(day):
    """The notebooks state the month that the run found: both must count up to the same day."""
    day("2026-07-15")
    assert {months.latest(month) for month in ("", "2026-07", "2026-06", "1990-01")} == {
        pd.Timestamp("2026-07-15")
    }
    assert months.latest("2026-08") == pd.Timestamp("2026-08-31")


@pytest.mark.parametrize("command", ["check", "run"])
def test_the_commands_say_it(tmp_path, command):
    only = "visit_id,tower_id,date,method,impedance_ohm\nv1,1,2062-03-01,leg coils,4.2\n"
    folder = line_folder(tmp_path / "low-moor", visits_csv=only)
    said = CliRunner().invoke(cli.app, [command, str(folder), "--reports", str(tmp_path / "reports")])
    assert said.exit_code == 2
    assert "lies in the future" in said.output


def test_check_lists_it_and_ends_with_1(tmp_path):
    folder = line_folder(tmp_path / "low-moor", visits_csv=LATE)
    said = CliRunner().invoke(cli.app, ["check", str(folder), "--reports", str(tmp_path / "reports")])
    assert said.exit_code == 1
    assert "visits.csv row 4, date: '2062-03-01' lies in the future" in said.output


def test_another_day_is_not_answered_from_memory(tmp_path, day):
    line_folder(tmp_path / "low-moor", visits_csv=VISITS + "v3,4A,2026-07-16,leg coils,7\n")
    assert assessment.assess(tmp_path / "low-moor").month == "2026-03"
    day("2026-07-16")
    assert assessment.assess(tmp_path / "low-moor").month == "2026-07"


def test_without_the_variable_the_clock_is_read(monkeypatch):
    """It is never earlier than the day in universal time, and at most one day later."""
    monkeypatch.delenv(months.TODAY)
    ahead = months.today() - pd.Timestamp.now("UTC").tz_localize(None).normalize()
    assert ahead in (pd.Timedelta(0), pd.Timedelta(days=1))


@pytest.mark.parametrize("text", ["soon", "2026-02-30", "15.7.2026"])
def test_a_variable_that_is_no_day_is_one_sentence(day, text):
    day(text)
    with pytest.raises(SettingsError, match=f"TOWERLIB_TODAY is '{text}'"):
        months.today()

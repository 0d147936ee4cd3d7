"""All lines of a month from their reports: sums, ranks, coverage, and what is missing or damaged."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from portfolio_lines import line, planned, report, sign

from towerlib import assessment, portfolio
from towerlib.errors import RecordsError, SettingsError
from towerlib.portfolio import ADD_UP


@pytest.fixture
def pair():
    many = line("many", avoided_to_target_per_year=2.0, cost_per_trip_out=1000.0)
    dear = line(
        "dear", (0.5, 0.4, 0.3), (1.0, 1.0, 1.0), avoided_to_target_per_year=1.0, cost_per_trip_out=5000.0
    )
    return [many, dear]


def test_totals_are_the_sums_of_the_lines(pair):
    found = portfolio.together(pair, "2026-06")
    for name in ADD_UP:
        amounts = found.lines[name].dropna()
        assert found.totals[name] == pytest.approx(amounts.sum()) or amounts.empty, name
    # By hand: 2 and 3 towers, one of each line in the safety queue, 2 + 1 avoidable, 2 × 1000 + 1 × 5000 money.
    wanted = {"towers": 5, "above_limit": 5, "safety_queue": 2, "touch_above": 5, "avoidable_per_year": 3.0}
    wanted |= {"money_per_year": 7000.0, "money_low": 6000.0, "money_high": 18000.0, "length_km": 20.0}
    assert {name: found.totals[name] for name in wanted} == wanted


def test_money_can_turn_the_order_of_trip_outs(pair):
    table = portfolio.together(pair, "2026-06").lines.set_index("line_id")
    assert table["rank_trip_outs"].to_dict() == {"many": 1, "dear": 2}
    assert table["rank_money"].to_dict() == {"many": 2, "dear": 1}


def test_the_record_draws_what_a_model_promises():
    # By hand: 2 a year by a model that the record halves is 1 a year, band and money alike.
    held = line(
        "held", calibration_factor=0.5, calibrated_per_year=3.0, calibrated_low=2.0, calibrated_high=4.0
    )
    row = portfolio.together([held], "2026-06").lines.iloc[0]
    assert (row["avoidable_per_year"], row["avoidable_low"], row["avoidable_high"]) == (1.0, 0.5, 1.5)
    assert (row["money_per_year"], row["trip_outs_per_year"], row["basis"]) == (1000.0, 3.0, "calibrated")


def test_a_line_without_a_rate_has_no_rank_and_is_no_zero(pair):
    bare = line("bare", avoided_to_target_per_year=np.nan, avoided_low=np.nan, avoided_high=np.nan)
    found = portfolio.together([bare, *pair], "2026-06")
    assert found.lines["line_id"].tolist() == ["many", "dear", "bare"]
    assert found.lines["rank_trip_outs"].isna().tolist() == [False, False, True]
    assert found.totals["avoidable_per_year"] == 3.0


def test_money_of_two_currencies_is_not_compared(pair):
    found = portfolio.together([pair[0], line("abroad", currency="XTS")], "2026-06")
    assert found.lines["rank_money"].isna().all()
    assert np.isnan(found.totals["money_per_year"])


def test_coverage_adds_up(pair):
    table = portfolio.together(pair, "2026-06").coverage.set_index("month")
    assert table.loc["2026-05", ["towers", "tested", "never_tested"]].tolist() == [5, 0, 5]
    assert table.loc["2026-06", ["towers", "tested", "above_limit"]].tolist() == [5, 5, 5]
    assert table.loc["2026-06", "tested_percent"] == 100.0


def test_bonds_and_leads_are_counted(pair):
    seen = pair[0].condition.assign(bond_seen=["missing", ""], leads_missing=[np.nan, 2.0])
    table = portfolio.together([line("many", changed={"condition": seen})], "2026-06").lines
    assert table[["bonds_to_inspect", "leads_missing"]].to_numpy().tolist() == [[1, 1]]


@pytest.fixture
def reports(tmp_path, pair):
    for each in pair:
        report(each, tmp_path)
    return tmp_path


def test_reports_say_what_the_lines_said(reports, pair, monkeypatch):
    monkeypatch.setattr(assessment, "assess", None)  # nothing is assessed again
    found = portfolio.gather(reports)
    assert_frame_equal(found.lines, portfolio.together(pair, "2026-06").lines)
    assert (found.month, found.missing) == ("2026-06", {})
    assert found.months == {"dear": ["2026-06"], "many": ["2026-06"]}


def test_a_line_without_the_month_is_named(reports):
    report(line("late"), reports, "2026-05")
    (reports / "late" / "check").mkdir()
    (reports / "2026-06").mkdir()  # the portfolio's own folder is no line
    found = portfolio.gather(reports)
    assert found.missing == {"late": "no report for 2026-06; the newest is 2026-05"}
    assert set(found.lines["line_id"]) == {"many", "dear"}
    assert portfolio.gather(reports, "2026-05").lines["line_id"].tolist() == ["late"]


def _alter(folder):
    table = folder / "tables" / "condition.parquet"
    pd.read_parquet(table).assign(footing_ohm=1.0).to_parquet(table, index=False)


def _drop_column(folder):
    table = folder / "tables" / "priority.parquet"
    pd.read_parquet(table).drop(columns="queue").to_parquet(table, index=False)
    sign(folder, "many", "2026-06")


def _foreign_work(folder):
    planned(0, 0, 1).assign(package="").to_parquet(folder / "tables" / "plan.parquet", index=False)
    sign(folder, "many", "2026-06")


DAMAGE = {
    "run.json is missing": lambda folder: (folder / "run.json").unlink(),
    "run.json is damaged": lambda folder: (folder / "run.json").write_text('{"line_id":'),
    "run.json does not list the files": lambda folder: (folder / "run.json").write_text("[]"),
    "tables/line.parquet is missing": lambda folder: (folder / "tables" / "line.parquet").unlink(),
    "tables/condition.parquet was changed after the run": _alter,
    "tables/priority.parquet has no column queue": _drop_column,
    "it belongs to the line many and the month 2026-06": lambda folder: sign(folder, "other", "2026-06"),
    "rods of tower T2, which is not one of its options": _foreign_work,
}


@pytest.mark.parametrize("sentence", DAMAGE)
def test_a_damaged_report_is_named_and_left_out(reports, sentence):
    DAMAGE[sentence](reports / "many" / "2026-06")
    found = portfolio.gather(reports)
    assert list(found.missing) == ["many"]
    assert sentence in found.missing["many"]
    assert found.lines["line_id"].tolist() == ["dear"]
    assert found.totals["towers"] == 3


def test_a_report_whose_replacement_was_cut_short_is_put_back(reports, pair):
    folder = reports / "many" / "2026-06"
    folder.rename(folder.with_name(".2026-06.replaced-0a1b2c3d4e5f6071"))
    found = portfolio.gather(reports)
    assert found.missing == {}
    assert_frame_equal(found.lines, portfolio.together(pair, "2026-06").lines)
    assert [path.name for path in folder.parent.iterdir()] == ["2026-06"]


def test_one_line_in_two_folders_counts_once(reports):
    (reports / "many").rename(reports / "zz-copy")
    report(line("many"), reports)
    found = portfolio.gather(reports)
    assert found.lines["line_id"].tolist() == ["many", "dear"]
    assert "has another folder" in found.missing["zz-copy"]


def test_nothing_to_read_is_one_sentence(tmp_path, reports):
    with pytest.raises(RecordsError, match="is not a folder"):
        portfolio.gather(tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(RecordsError, match="contains no report of a line"):
        portfolio.gather(tmp_path / "empty")
    with pytest.raises(RecordsError, match="complete report for 2026-04; dear: no report for 2026-04"):
        portfolio.gather(reports, "2026-04")
    with pytest.raises(SettingsError, match="is not a month"):
        portfolio.gather(reports, "2026-13")
    with pytest.raises(SettingsError, match="budget must be 0 or more"):
        portfolio.gather(reports, budget=-1.0)


@pytest.fixture(scope="module")
def study():
    return assessment.assess(Path("data/demo") / "ambermoss-harrowmere", "2026-06")


def test_a_line_of_records_goes_through_its_report(study, tmp_path):
    kept = portfolio.tables(study)
    assert set(kept) == {"line", "coverage", "mobilisation", "plan-options"}
    before = portfolio.of(study)
    read = portfolio.read(report(before, tmp_path))
    assert read.facts == pytest.approx(before.facts, nan_ok=True)
    assert_frame_equal(read.works, study.budget.works, check_dtype=False)
    row = portfolio.together([read], study.month).lines.iloc[0]
    sums = study.outages.line
    factor = sums["calibration_factor"]
    assert row["avoidable_per_year"] == pytest.approx(sums["avoided_to_target_per_year"] * factor)
    assert row["towers"] == len(study.condition)
    assert row["safety_queue"] == (study.priority["queue"] == "safety").sum()


def test_a_split_of_one_line_is_its_own_plan(study):
    found = portfolio.split([portfolio.of(study)]).table.iloc[0]
    assert found["own_spent"] == pytest.approx(study.budget.plan.spent)
    assert found["own_benefit"] == pytest.approx(
        study.budget.plan.benefit * study.outages.line["calibration_factor"]
    )
    assert found["benefit"] >= found["own_benefit"] * (1 - 1e-9)
    assert found["own_towers"] == study.budget.works["tower_id"].nunique()

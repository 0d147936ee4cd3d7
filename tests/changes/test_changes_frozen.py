"""Months that stand in the report folder: compared with, or named where they cannot be."""

import json
import shutil

import pandas as pd
import pytest
from test_changes import FIRST, row, study_of, towers

from towerlib import assessment, changes, runs
from towerlib.changes import months
from towerlib.report import write


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A line as of June, with one tower clearly worse than in 2024."""
    place = tmp_path_factory.mktemp("line") / "moor"
    visits = FIRST.replace("a10,10,", "a10,9,") + row("b2", 2, "2026-06-12", 16)
    names = [str(number) for number in range(1, 18) if number != 10]
    return study_of(place, towers(*names), visits, "2026-06")


def freeze(study, month, reports):
    """The report of a month as far as it is compared with, as a run writes it."""
    folder = reports / month
    (folder / "tables").mkdir(parents=True)
    tables = write.tables(study)
    for name in months.NEEDED:
        tables[name].to_parquet(folder / "tables" / f"{name}.parquet", index=False)
    runs.write_manifest(study, folder, {})
    return folder


@pytest.fixture(scope="module")
def written(study, tmp_path_factory):
    """Reports of April and May, both by the records as of May."""
    earlier = assessment.assess(study.records.folder, "2026-05")
    place = tmp_path_factory.mktemp("written")
    for month in ("2026-04", "2026-05"):
        freeze(earlier, month, place)
    return place


@pytest.fixture
def reports(written, tmp_path):
    """A copy of the reports, to be damaged."""
    return shutil.copytree(written, tmp_path / "reports")


def _texts(study):
    """The files of the line as they are."""
    folder = study.records.folder
    register = (folder / "towers.csv").read_text()
    return register, (folder / "visits.csv").read_text().split("\n", 1)[1]


def test_the_newest_earlier_month_is_taken(study, reports):
    (reports / "2026-07").mkdir()  # a later month, and folders of an unfinished run, are none of it
    (reports / ".2026-06.unfinished-1").mkdir()
    (reports / "check").mkdir()
    found = changes.against_last(study, reports)
    assert (found.against, found.source) == ("2026-05", months.FROZEN)
    assert found.remarks == ("Compared with the report of 2026-05, as written.",)
    worse = found.table[found.table["kind"] == "worsened"]
    assert worse["tower_id"].to_list() == ["2"]


def test_a_month_whose_replacement_was_cut_short_is_put_back(study, reports):
    (reports / "2026-05").rename(reports / ".2026-05.replaced-0a1b2c3d4e5f6071")
    found = changes.against_last(study, reports)
    assert (found.against, found.source) == ("2026-05", months.FROZEN)
    assert (reports / "2026-05" / "run.json").is_file()


def test_frozen_tables_say_what_the_same_records_said(study, reports):
    by_report, by_records = changes.against_last(study, reports), changes.against_last(study)
    pd.testing.assert_frame_equal(by_report.table, by_records.table)


def test_a_register_that_grew_shows_only_against_a_report(study, reports, tmp_path):
    register, visits = _texts(study)
    register += "18,-31,-19.9460,18\n"
    now = study_of(tmp_path / "grown", register, visits, "2026-06")
    found = changes.against_last(now, reports)
    assert found.table["tower_id"][found.table["kind"] == "new tower"].to_list() == ["18"]


def damage_manifest(folder):
    (folder / "run.json").write_text("{")


def lose_manifest(folder):
    (folder / "run.json").unlink()


def empty_manifest(folder):
    (folder / "run.json").write_text("[]")


def lose_table(folder):
    (folder / "tables" / "priority.parquet").unlink()


def change_table(folder):
    path = folder / "tables" / "condition.parquet"
    path.write_bytes(path.read_bytes()[:-40])


def of_another_line(folder):
    rewrite(folder, line_id="high-moor")


def rewrite(folder, **more):
    path = folder / "run.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | more))


def replace_table(folder, name, table):
    """A table as another run would have written it."""
    import hashlib

    path = folder / "tables" / f"{name}.parquet"
    table.to_parquet(path, index=False)
    files = json.loads((folder / "run.json").read_text())["files"]
    rewrite(folder, files=files | {f"tables/{name}.parquet": hashlib.sha256(path.read_bytes()).hexdigest()})


def of_an_older_version(folder):
    table = pd.read_parquet(folder / "tables" / "condition.parquet")
    replace_table(folder, "condition", table.drop(columns="bond_state"))


def tower_twice(folder):
    table = pd.read_parquet(folder / "tables" / "priority.parquet")
    replace_table(folder, "priority", pd.concat([table, table.head(1)]))


def no_parquet(folder):
    """A file that the manifest vouches for and that is no table at all."""
    import hashlib

    path = folder / "tables" / "condition.parquet"
    path.write_bytes(b"not a table")
    rewrite(folder, files={"tables/condition.parquet": hashlib.sha256(b"not a table").hexdigest()})


@pytest.mark.parametrize(
    ("damage", "sentence"),
    [
        (damage_manifest, "run.json is damaged"),
        (lose_manifest, "run.json is missing"),
        (empty_manifest, "run.json does not list"),
        (lose_table, "tables/priority.parquet is missing"),
        (change_table, "tables/condition.parquet was changed after the run"),
        (of_another_line, "it belongs to the line high-moor"),
        (of_an_older_version, "of another version: tables/condition.parquet has no column bond_state"),
        (tower_twice, "tables/priority.parquet contains a tower twice"),
        (no_parquet, "The report of 2026-05 cannot be used"),
    ],
)
def test_a_damaged_month_is_named_and_the_one_before_taken(study, reports, damage, sentence):
    damage(reports / "2026-05")
    found = changes.against_last(study, reports)
    assert (found.against, found.source) == ("2026-04", months.FROZEN)
    assert sentence in found.remarks[0]
    damage(reports / "2026-04")
    found = changes.against_last(study, reports)
    assert (found.against, found.source) == ("2026-05", months.REPEATED)
    assert len(found.remarks) == 3


def test_a_report_of_another_version_is_used_and_named(study, reports):
    rewrite(reports / "2026-05", versions={"towerlib": "0.0.1"})
    found = changes.against_last(study, reports)
    assert found.against == "2026-05"
    assert "written by version 0.0.1" in found.remarks[0]


def test_the_lists_stand_beside_the_tables(study, reports):
    found = write.write_changes(study, reports / ".2026-06.unfinished-7")
    folder = reports / ".2026-06.unfinished-7"
    assert found.against == "2026-05"
    listed = pd.read_csv(folder / "changes.csv", dtype={"tower_id": "str"}, encoding="utf-8-sig")
    assert list(listed.columns) == changes.COLUMNS
    assert len(listed) == len(found.table)
    kept = pd.read_parquet(folder / "tables" / "changes.parquet")
    pd.testing.assert_frame_equal(kept, found.table)
    coverage = pd.read_parquet(folder / "tables" / "coverage.parquet")
    assert coverage["month"].iloc[-1] == "2026-06"


def test_names_stay_text_in_the_list(study, tmp_path):
    register, visits = _texts(study)
    now = study_of(tmp_path / "sly", register + "=1+1,-31,-19.9460,18\n", visits, "2026-06")
    write.write_changes(now, tmp_path / "reports" / "2026-06")
    text = (tmp_path / "reports" / "2026-06" / "changes.csv").read_text(encoding="utf-8-sig")
    assert ",'=1+1," in text
    assert ",=1+1," not in text
    kept = pd.read_parquet(tmp_path / "reports" / "2026-06" / "tables" / "changes.parquet")
    assert "=1+1" in set(kept["tower_id"])


def test_a_table_without_a_row_keeps_its_kinds(tmp_path):
    visits = row("a", 1, "2026-05-02", 4) + row("b", 2, "2026-05-02", 4)
    quiet = study_of(tmp_path / "quiet", towers("1", "2"), visits, "2026-06")
    found = write.write_changes(quiet, tmp_path / "reports" / "2026-06")
    assert found.table.empty
    full = pd.read_parquet(tmp_path / "reports" / "2026-06" / "tables" / "changes.parquet")
    assert full["z"].dtype == "float64"
    assert str(full["date_after"].dtype).startswith("datetime64")

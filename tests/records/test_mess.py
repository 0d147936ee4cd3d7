"""One kind of mess at a time: each folder of ``mess/`` says beside its files what must come of them."""

import shutil
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from folders import accounted

from towerlib.errors import RecordsError
from towerlib.records.load import load

MESS = Path(__file__).parent / "mess"
CASES = sorted(path.parent.name for path in MESS.glob("*/expected.toml"))


def messy(name, place):
    """The files of a case, with the plain base line for what it leaves out."""
    folder = place / name
    shutil.copytree(MESS / name, folder, ignore=shutil.ignore_patterns("expected.toml"))
    for path in (MESS / "base").iterdir():
        has_own = any(entry.stem in (path.stem, "records") for entry in folder.iterdir())
        if (path.name == "line.toml" and (folder / path.name).exists()) or (
            path.suffix == ".csv" and has_own
        ):
            continue
        shutil.copy(path, folder)
    return folder, tomllib.loads((MESS / name / "expected.toml").read_text(encoding="utf-8"))


def cell(records, table, at, column):
    """One value of a table by the name of its row, in the form of TOML; None where it is blank."""
    rows = getattr(records, table)
    key = [name for name in ("visit_id", "leg") if name in rows] if table == "legs" else [f"{table[:-1]}_id"]
    row = rows[(rows[key].agg("/".join, axis=1) if len(key) > 1 else rows[key[0]]) == at]
    assert len(row) == 1, f"{at} stands {len(row)} times in {table}"
    value = row[column].iloc[0]
    if pd.isna(value):
        return None
    return value.strftime("%Y-%m-%d") if isinstance(value, pd.Timestamp) else value


def test_there_are_many_kinds_of_mess():
    assert len(CASES) >= 40


@pytest.mark.parametrize("name", CASES)
def test_mess(name, tmp_path):
    folder, expected = messy(name, tmp_path)
    if "stops" in expected:
        with pytest.raises(RecordsError) as caught:
            load(folder)
        assert expected["stops"] in str(caught.value)
        assert "\n" not in str(caught.value)
        return
    records = load(folder)
    assert accounted(records)
    for table, counts in expected.get("counts", {}).items():
        assert records.counts.loc[table, list(counts)].to_dict() == counts, table
    for value in expected.get("value", ()):
        found = cell(records, value["table"], value["at"], value["column"])
        assert found == (
            pytest.approx(value["is"]) if isinstance(value.get("is"), float) else value.get("is")
        ), value
    for entry in expected.get("rejected", ()):
        assert says(records.rejected, entry), f"{entry}: {records.rejected.to_dict('records')}"
    for entry in expected.get("repaired", ()):
        found = records.repaired[[*entry]].astype({"row": int}).to_dict("records")
        assert entry in found, f"{entry}: {found}"
    assert set(expected.get("unread", ())) == set(records.unread)


def says(rejected, entry):
    """Whether some rejected row stands at that place and its reason, or its value, has all the words."""
    row = rejected["row"].isna() if "row" not in entry else rejected["row"] == entry["row"]
    at = rejected[(rejected["table"] == entry["table"]) & row & (rejected["column"] == entry["column"])]
    texts = (at["value"] + " | " + at["reason"]).to_list()
    return any(all(word in text for word in entry["says"]) for text in texts)

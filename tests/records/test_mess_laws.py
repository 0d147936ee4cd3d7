"""Laws of the account, over random mess: every row is used or rejected, exactly once, and nothing else is raised."""

import re
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from towerlib.errors import RecordsError, SettingsError
from towerlib.records import load as loading

LINE = '[line]\nid = "low-moor"\nvoltage_kv = 110\nfrequency_hz = 50\n'
TABLES = {
    "towers": [["tower_id", "latitude_deg", "longitude_deg", "height_m", "ring"]]
    + [[str(k), "-31.0", f"{-20 + 0.003 * k:.3f}", "30", "no"] for k in range(1, 9)],
    "visits": [
        [
            "visit_id",
            "tower_id",
            "date",
            "method",
            "impedance_ohm",
            "in_service",
            "latitude_deg",
            "longitude_deg",
            "note",
        ]
    ]
    + [
        [
            f"v{k}",
            str(k % 8 + 1),
            f"2026-03-{k + 1:02d}",
            "leg coils",
            f"{4 + k / 2}",
            "yes",
            "-31.0",
            "-20.0",
            "dry",
        ]
        for k in range(10)
    ],
    "legs": [["visit_id", "leg", "leakage_ma"]]
    + [[f"v{k}", leg, f"{k + 3}"] for k in range(10) for leg in "AB"],
    "sweeps": [["visit_id", "frequency_hz", "impedance_ohm"]]
    + [[f"v{k}", f"{f}", "4.2"] for k in range(4) for f in (50, 100, 200)],
}
SNIPPETS = [
    *(
        "",
        " ",
        "1,234",
        "1.234",
        "4,2",
        "OL",
        "<0.5",
        "n/a",
        "=1+1",
        "'",
        '"',
        '""',
        ";",
        "\t",
        "\r",
        "\n",
        "\0",
        "\x1a",
        "\ufeff",
        "\u2028",
        "\x85",
    ),
    *(
        "0",
        "-0",
        "nan",
        "inf",
        "1e999",
        "1E2",
        "12/1",
        "12-Jan",
        "Total",
        "Summe",
        "#N/A",
        "2026-02-30",
        "03/04/2026",
        "46082",
        "0.1 kΩ",
        "31°00'S",
        "T-3",
        "v1",
    ),
]
TEXTS = st.one_of(
    st.sampled_from(SNIPPETS), st.text(max_size=12), st.integers().map(str), st.floats().map(str)
)
PLACES = st.tuples(st.sampled_from(sorted(TABLES)), st.integers(0, 40), st.integers(0, 8))
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("cell"), PLACES, TEXTS),
        st.tuples(st.just("twice"), PLACES, st.just("")),
        st.tuples(st.just("short"), PLACES, st.just("")),
        st.tuples(st.just("longer"), PLACES, TEXTS),
        st.tuples(st.just("turned"), PLACES, st.just("")),
        st.tuples(st.just("line"), PLACES, TEXTS),
    ),
    min_size=2,
    max_size=16,
)


def messed(steps):
    """The tables after some steps of mess; the header keeps its place."""
    tables = {name: [list(row) for row in rows] for name, rows in TABLES.items()}
    for what, (name, row, column), text in steps:
        rows = tables[name]
        row = 1 + row % (len(rows) - 1)
        column %= max(len(rows[row]), 1)
        if what == "cell" and rows[row]:
            rows[row][column] = text
        elif what == "twice":
            rows.insert(row, list(rows[row]))
        elif what == "short":
            rows[row] = rows[row][:column]
        elif what == "longer":
            rows[row] = [*rows[row], text]
        elif what == "line":
            rows.insert(row, [text])
        elif what == "turned" and all(len(one) == len(rows[0]) for one in rows):
            tables[name] = [one[column:] + one[:column] for one in rows]
    return tables


def written(tables, separator, line_end, place):
    """The tables as files, without a care for quotation marks."""
    (place / "line.toml").write_text(LINE)
    for name, rows in tables.items():
        text = "".join(separator.join(row) + line_end for row in rows)
        (place / f"{name}.csv").write_bytes(text.encode("utf-8", errors="replace"))
    return place


PHASES = (
    Phase.explicit,
    Phase.generate,
)  # each case is a folder that is read: making a failure small takes too long


@settings(max_examples=25, phases=PHASES, deadline=None, suppress_health_check=list(HealthCheck))
@given(STEPS, st.sampled_from([",", ";", "\t"]), st.sampled_from(["\n", "\r\n"]))
def test_every_row_is_used_or_rejected_once(steps, separator, line_end):
    tables = messed(steps)
    with tempfile.TemporaryDirectory() as place, pytest.MonkeyPatch.context() as patch:
        folder = written(tables, separator, line_end, Path(place))
        texts = {name: (folder / f"{name}.csv").read_bytes().decode() for name in TABLES}
        patch.setattr(loading, "_finished", lambda name, rows: rows)  # keeps file and row of every row
        try:
            records = loading.load(folder)
        except (RecordsError, SettingsError) as flaw:
            assert "\n" not in str(flaw).strip()  # noqa: PT017 (either outcome is right)
            return
    counts = records.counts
    assert (counts["rows_in"] == counts["used"] + counts["rejected"]).all()
    assert (counts["repaired"] <= counts["used"]).all()
    for name in TABLES:
        used = getattr(records, name)["_row"].to_list()
        entries = records.rejected[records.rejected["table"] == name]
        rejected = entries["row"].dropna().to_list()
        assert len(set(used + rejected)) == len(used) + len(rejected), name
        assert set(records.repaired.loc[records.repaired["table"] == name, "row"]) <= set(used), name
        if entries["row"].notna().all() and not re.search('["\0]', texts[name]):
            assert set(used) | set(rejected) == filled(texts[name], separator), name


def filled(text, separator):
    """Numbers of the rows that hold anything, the header left out; by the definition of a text file."""
    lines = re.split(r"\r?\n" if "\n" in text else "\r", text.removeprefix("\ufeff"))
    return {
        number
        for number, line in enumerate(lines, start=1)
        if number > 1 and line.replace(separator, "").strip()
    }

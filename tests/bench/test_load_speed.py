"""Reading with every check takes at most three times what a bare CSV read takes, in time and in memory.

Ratios within one run, never clock times: both are measured by turns on the same files, in processor time of this
process, of which the least of several counts, so that other work on the machine does not matter; while the ratio is
above its bound, further turns may bring it down. Memory is the peak of a process of its own above what it had taken
after its imports; the peak of the memory map, since that of ``getrusage`` is inherited from the process that started it.
"""

import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest

from towerlib.records.load import load

MOST = 3.0
TURNS, MOST_TURNS = 5, 15
TOWERS, VISITS, LEGS, FREQUENCIES = 1_000, 50_000, 4, 20
TABLES = ("towers", "visits", "legs", "sweeps")
LINE = '[line]\nid = "big"\nvoltage_kv = 132\nfrequency_hz = 50\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A line with 50,000 visits, 200,000 leg rows and 1,000,000 sweep rows."""
    place, rng = tmp_path_factory.mktemp("big"), np.random.default_rng(1)
    (place / "line.toml").write_text(LINE)
    steps = np.arange(TOWERS)
    towers = {"tower_id": steps, "latitude_deg": -32 + 0.001 * steps, "longitude_deg": -20 + 0.0025 * steps}
    pd.DataFrame(towers).round(6).to_csv(place / "towers.csv", index=False)
    visits = _visits(rng)
    visits.to_csv(place / "visits.csv", index=False)
    ids = visits["visit_id"]
    legs = {
        "visit_id": ids.repeat(LEGS),
        "leg": list("ABCD") * VISITS,
        "leakage_ma": rng.lognormal(3, 1, LEGS * VISITS).round(1),
    }
    pd.DataFrame(legs).to_csv(place / "legs.csv", index=False)
    count = VISITS * FREQUENCIES
    sweeps = {
        "visit_id": ids.repeat(FREQUENCIES),
        "frequency_hz": np.tile(np.geomspace(41, 5000, FREQUENCIES).round(), VISITS),
        "impedance_ohm": rng.lognormal(2.5, 0.8, count).round(2),
        "phase_deg": rng.normal(5, 3, count).round(1),
    }
    pd.DataFrame(sweeps).to_csv(place / "sweeps.csv", index=False)
    return place


def _visits(rng):
    """Visits with the columns that crews fill in."""
    days = pd.Timestamp("2015-01-01") + pd.to_timedelta(rng.integers(0, 4000, VISITS), "D")
    return pd.DataFrame(
        {
            "visit_id": [f"V{number:06d}" for number in range(VISITS)],
            "tower_id": rng.integers(0, TOWERS, VISITS),
            "date": days.strftime("%Y-%m-%d"),
            "crew": rng.choice(list("ABCD"), VISITS),
            "instrument_serial": "S1",
            "calibration_due": "2027-01-01",
            "in_service": "yes",
            "soil_state": "normal",
            "method": "leg coils",
            "test_frequency_hz": 128,
            "impedance_ohm": rng.lognormal(2.5, 0.8, VISITS).round(2),
            "leakage_total_ma": rng.lognormal(4, 1, VISITS).round(1),
            "interference_potential_probe_v": rng.lognormal(0, 1, VISITS).round(2),
            "potential_probe_ohm": rng.integers(50, 900, VISITS),
            "current_probe_ohm": rng.integers(50, 900, VISITS),
            "potential_probe_distance_m": 61.8,
            "current_probe_distance_m": 100,
            "over_range": "no",
        }
    )


def bare(folder):
    """The same files read and nothing more."""
    return [pd.read_csv(folder / f"{name}.csv") for name in TABLES]


def seconds(call, folder):
    """Processor time of one call."""
    begun = time.process_time()
    kept = call(folder)
    taken = time.process_time() - begun
    del kept
    return taken


def test_time(folder):
    records = load(folder)  # imports what is imported when first needed
    assert len(records.sweeps) == VISITS * FREQUENCIES
    assert records.rejected.empty
    del records
    turns = []
    while len(turns) < TURNS or (ratio(turns) >= MOST and len(turns) < MOST_TURNS):
        turns.append((seconds(load, folder), seconds(bare, folder)))
    assert ratio(turns) < MOST, turns


def ratio(turns):
    """Least time of the one to the least time of the other."""
    ours, theirs = (min(times) for times in zip(*turns, strict=True))
    return ours / theirs


CHILD = """
import re, sys
from pathlib import Path
import pandas as pd
import pandera.pandas, scipy.spatial
from towerlib.records import convert, coordinates, csv_files, load, tower_names
pd.Series(["a"]).str.strip()
peak = lambda: int(re.search("VmHWM:[^0-9]*([0-9]+)", Path("/proc/self/status").read_text())[1])
before, folder = peak(), Path(sys.argv[2])
if sys.argv[1] == "load":
    kept = load.load(folder)
else:
    kept = [pd.read_csv(folder / f"{name}.csv") for name in ("towers", "visits", "legs", "sweeps")]
print(peak() - before)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/proc is of Linux")
def test_memory(folder):
    peaks = {}
    for what in ("load", "bare"):
        run = subprocess.run(
            [sys.executable, "-c", CHILD, what, str(folder)], capture_output=True, text=True, check=True
        )
        peaks[what] = int(run.stdout)
    assert peaks["load"] / peaks["bare"] < MOST, peaks

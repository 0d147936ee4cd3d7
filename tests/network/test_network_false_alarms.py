"""Simulated lines without a planted bond or span: nothing is suspected."""

from dataclasses import replace
from pathlib import Path

import pytest

from towerlib import assessment, network
from towerlib.simulate.demo import quillmere_tolstrand, write
from towerlib.simulate.lines import simulate_line
from towerlib.simulate.specs import Planted


@pytest.mark.parametrize("seed", [101, 104, 107])
def test_a_line_without_faults_raises_no_alarm(tmp_path, seed):
    """Readings carry season, coils, probes and slips as the demo's do."""
    spec = replace(quillmere_tolstrand(), planted=Planted(0, 0, 0, 0, None, treated=2, untested=2))
    folder = Path(write(spec, simulate_line(spec, seed), tmp_path))
    study = assessment.assess(folder)
    found = network.assess(
        study.records, study.route, study.condition, study.currents, study.grades, study.month
    )
    assert not found.towers["bond_suspect"].any()
    assert (found.towers["bond_scan"] != "suspected").all()
    assert (found.spans["span_scan"] != "suspected").all()
    assert (found.towers["bond_state"] == "sound").mean() > 0.8

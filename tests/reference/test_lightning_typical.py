"""The shipped typical towers are the three lines that the tables of rates were worked out for."""

import pytest
from lightning_lines import LINES

from towerlib.physics.lightning.surge import typical_geometry


@pytest.mark.parametrize("voltage", LINES)
def test_unchanged_typical_geometry(voltage):
    assert typical_geometry(float(voltage)) == LINES[voltage]

"""Two layers against empymod, which solves Maxwell's equations in layers by its own digital filters."""

import numpy as np
import pytest

from towerlib.physics.electrode.matrix import point_source_potentials
from towerlib.physics.layered_soil import Soil, layered_resistivity
from towerlib.physics.soil import FourPins, apparent_resistivity

empymod = pytest.importorskip("empymod")

AIR_OHM_M, NEAR_DC_HZ, POINTS = 1e14, 1e-4, 25
SOILS = [Soil(100.0, 1000.0, 2.0), Soil(1000.0, 50.0, 4.0), Soil(300.0, 30000.0, 1.0)]


def volts(current_from, current_to, one, other, soil):
    """Voltage between two points per ampere between two others, each x, y and depth."""
    places = [
        [value for pair in zip(start, end, strict=True) for value in pair]
        for start, end in ((current_from, current_to), (one, other))
    ]
    layers = {"depth": [0, soil.depth_m], "res": [AIR_OHM_M, soil.upper_ohm_m, soil.lower_ohm_m]}
    dry = {"epermH": [0, 1, 1], "epermV": [0, 1, 1]}  # air without displacement current
    many = {"srcpts": POINTS, "recpts": POINTS}
    return empymod.bipole(*places, freqtime=NEAR_DC_HZ, strength=1, verb=0, **layers, **dry, **many).real


@pytest.mark.parametrize("soil", SOILS)
@pytest.mark.parametrize(
    ("apart_m", "inner_m", "outer_m"), [(4.0, 2.0, 3.0), (10.0, 5.0, 5.0), (30.0, 10.0, 10.0)]
)
def test_arrays_at_the_surface(soil, apart_m, inner_m, outer_m):
    depth = 1e-3
    reach = apart_m + inner_m
    read = -volts((0, 0, depth), (-outer_m, 0, depth), (apart_m, 0, depth), (reach, 0, depth), soil)
    array = FourPins(*np.array([apart_m, reach, apart_m + outer_m, reach + outer_m]))
    own = layered_resistivity(array, soil.upper_ohm_m, soil.lower_ohm_m, soil.depth_m)
    assert own == pytest.approx(apparent_resistivity(array, read), rel=2e-4)


@pytest.mark.parametrize("soil", SOILS)
@pytest.mark.parametrize("source_m", [0.3, 6.0])  # above and below every boundary
@pytest.mark.parametrize("field_m", [0.5, 7.0])
def test_points_in_the_ground(soil, source_m, field_m):
    plus, minus = (0.0, 0.0, source_m), (-5.0, 2.0, source_m)
    one, other = (6.0, 1.0, field_m), (14.0, 3.0, field_m)
    at = np.array([one, other])
    by_plus, by_minus = (
        point_source_potentials(at, [end[:2]], source_m, soil)[:, 0] for end in (plus, minus)
    )
    own = (by_plus - by_minus)[0] - (by_plus - by_minus)[1]
    assert own == pytest.approx(-volts(plus, minus, one, other, soil), rel=1e-3)

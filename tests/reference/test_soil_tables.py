"""Printed values of soil resistivity, each with its source."""

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.reference.four_pins import schlumberger, wenner_resistivity
from towerlib.physics.electrode.matrix import point_source_potentials
from towerlib.physics.layered_soil import layered_resistivity, uniform
from towerlib.physics.soil import apparent_resistivity, wenner


def test_wenner_of_the_handbook():
    # MIL-HDBK-419A vol. 2: spacing 610 cm, 2 ohm, printed 7662 ohm cm with 2π taken as 6.28.
    assert apparent_resistivity(wenner(6.10), 2.0) * 100 == pytest.approx(7662, rel=6e-4)


def test_wenner_with_deep_probes_has_its_two_limits():
    # IEEE Std 81: 2πaR for shallow probes, 4πaR for deep ones.
    assert wenner_resistivity(5.0, 3.0, 0.0) == pytest.approx(2 * np.pi * 15)
    assert wenner_resistivity(5.0, 3.0, 5e4) == pytest.approx(4 * np.pi * 15, rel=1e-6)
    # The same page allows 2πaR for probes to a twentieth of the spacing: an error within 1 %.
    assert wenner_resistivity(5.0, 3.0, 0.25) == pytest.approx(2 * np.pi * 15, rel=0.01)


@pytest.mark.parametrize("probe_depth_m", [0.2, 1.0, 3.0])
def test_wenner_with_probes_of_any_depth(probe_depth_m):
    # IEEE Std 80-2000 eq. 47 takes probes as points at their depth: each with its mirror image, by Coulomb's law.
    at = np.array([[spot, 0.0, probe_depth_m] for spot in (2.0, 4.0)])
    volts = point_source_potentials(at, [[0.0, 0.0], [6.0, 0.0]], probe_depth_m, uniform(150.0))
    read_ohm = (volts[0, 0] - volts[0, 1]) - (volts[1, 0] - volts[1, 1])
    assert wenner_resistivity(2.0, read_ohm, probe_depth_m) == pytest.approx(150.0, rel=1e-12)


def test_schlumberger_forms():
    # IEEE Std 81: πR(L² − l²)/(2l), and Schlumberger-Palmer πc(c + d)R/d with outer c, inner d (from memory).
    outer, inner, read = 10.0, 1.5, 0.7
    own = apparent_resistivity(schlumberger(outer, inner), read)
    assert own == pytest.approx(np.pi * read * (outer**2 - inner**2) / (2 * inner), rel=1e-12)
    c, d = outer - inner, 2 * inner
    assert own == pytest.approx(np.pi * c * (c + d) * read / d, rel=1e-12)


WENNER_OVER_ROCK = {1: 107.237, 2: 138.022, 4: 225.290, 8: 374.221, 16: 565.918, 32: 756.921}
SCHLUMBERGER_OVER_ROCK = {2: 117.148, 5: 207.519, 10: 349.540, 20: 538.990, 50: 790.752}


def test_wenner_over_two_layers():
    # empymod 2.6.1, d.c. limit, 100 over 1000 ohm m from 2 m; its own digital filter is good to some 1e-4.
    own = layered_resistivity(wenner(np.array([*WENNER_OVER_ROCK], float)), 100.0, 1000.0, 2.0)
    assert own == pytest.approx(list(WENNER_OVER_ROCK.values()), rel=1e-4)


def test_schlumberger_over_two_layers():
    # empymod 2.6.1 likewise; MN a tenth of AB.
    outer = np.array([*SCHLUMBERGER_OVER_ROCK], float)
    own = layered_resistivity(schlumberger(outer, outer / 10), 100.0, 1000.0, 2.0)
    assert own == pytest.approx(list(SCHLUMBERGER_OVER_ROCK.values()), rel=3e-5)


def test_boundary_of_the_standards_example():
    # IEEE Std 80-2000, 13.4.2.2 (from memory): ρ2/ρ1 = 3, ρa/ρ1 = 2 at a = 19 m; 6.1 m by program (7.0 m by graph).
    depth_m = brentq(lambda depth: layered_resistivity(wenner(19.0), 100.0, 300.0, depth) - 200.0, 1.0, 19.0)
    assert depth_m == pytest.approx(6.1, abs=0.05)

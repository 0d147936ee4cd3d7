"""Soil: limits that can be worked out by hand, sums with few terms, laws, bad input."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reference.four_pins import schlumberger
from towerlib.physics.layered_soil import (
    Soil,
    image_weights,
    layered_resistivity,
    reflection,
    surface_kernel,
    uniform,
)
from towerlib.physics.soil import (
    apparent_resistivity,
    geometric_mean,
    log_spread,
    wenner,
)

resistivities = st.floats(1.0, 1e5)
depths = st.floats(0.05, 200.0)
spacings = st.floats(0.1, 500.0)


@given(resistivities, depths, spacings)
def test_two_equal_layers_are_none(resistivity, depth_m, spacing_m):
    own = layered_resistivity(wenner(spacing_m), resistivity, resistivity, depth_m)
    assert own == pytest.approx(resistivity, rel=1e-12)


@given(resistivities, resistivities, depths, spacings)
def test_between_the_two_layers(upper, lower, depth_m, spacing_m):
    own = layered_resistivity(wenner(spacing_m), upper, lower, depth_m)
    slack = 1e-6 * max(upper, lower) if lower < upper else 1e-6 * upper
    assert min(upper, lower) - slack <= own <= max(upper, lower) + slack


@given(resistivities, resistivities, depths, spacings, st.floats(0.1, 10.0))
def test_scales(upper, lower, depth_m, spacing_m, scale):
    own = layered_resistivity(wenner(spacing_m), upper, lower, depth_m)
    longer = layered_resistivity(wenner(spacing_m * scale), upper, lower, depth_m * scale)
    denser = layered_resistivity(wenner(spacing_m), upper * scale, lower * scale, depth_m)
    assert longer == pytest.approx(own, rel=1e-6, abs=1e-6)
    assert denser == pytest.approx(own * scale, rel=1e-6, abs=1e-6)


@given(resistivities, resistivities, depths, spacings)
def test_current_and_potential_pins_change_places(upper, lower, depth_m, spacing_m):
    array = schlumberger(2 * spacing_m, 0.3 * spacing_m)
    swapped = type(array)(array.am_m, array.bm_m, array.an_m, array.bn_m)
    one, other = (layered_resistivity(pins, upper, lower, depth_m) for pins in (array, swapped))
    assert one == pytest.approx(other, rel=1e-9, abs=1e-9)


def test_near_and_far():
    # By hand: a spacing far below the depth sees the top layer, one far above it the bottom layer.
    assert layered_resistivity(wenner(0.01), 100.0, 1000.0, 5.0) == pytest.approx(100.0, rel=1e-6)
    assert layered_resistivity(wenner(1e5), 100.0, 1000.0, 5.0) == pytest.approx(1000.0, rel=1e-3)
    assert layered_resistivity(wenner(1e5), 1000.0, 100.0, 5.0) == pytest.approx(100.0, rel=1e-3)


@pytest.mark.parametrize("factor", [0.3, 0.55, 0.6, 0.9, 0.98, 0.999, -0.3, -0.6, -0.98, -0.9998])
def test_few_terms_for_many(factor):
    # The sum as it stands, n up to where Kⁿ falls under 1e-14, for near, far and shifted points.
    terms = np.arange(1, int(np.log(1e-14) / np.log(abs(factor))) + 2)
    order, weight = image_weights(factor)
    assert len(order) < 160
    for across, shift in ((0.0, 0.0), (0.3, 0.9), (5.0, 0.0), (30.0, -0.9), (300.0, 0.0)):
        whole = (factor**terms / np.hypot(across, terms - shift)).sum()
        assert (weight / np.hypot(across, order - shift)).sum() == pytest.approx(whole, rel=1e-9)


def test_the_strongest_contrast():
    # Σ Kⁿ/n = −ln(1 − K), K of 1 over 100 000 Ω·m: a million terms in some two hundred.
    factor = float(reflection(1.0, 1e5))
    order, weight = image_weights(factor)
    assert len(order) < 250
    assert (weight / order).sum() == pytest.approx(-np.log1p(-factor), rel=1e-9)


def test_tolerance_governs_the_terms():
    rough, fine = image_weights(0.4, 1e-4), image_weights(0.4, 1e-12)
    assert len(rough[0]) < len(fine[0])
    whole = -np.log1p(-0.4)
    assert abs((rough[1] / rough[0]).sum() - whole) < 1e-4
    assert abs((fine[1] / fine[0]).sum() - whole) < 1e-12


def test_a_layer_without_conductivity_is_refused():
    with pytest.raises(ValueError, match="both layers must conduct"):
        image_weights(1.0)
    with pytest.raises(ValueError, match="both layers of a soil must conduct"):
        Soil(100.0, np.inf, 2.0)


def test_the_shared_weights_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        image_weights(0.5)[1][0] = 0.0


def test_arrays_and_unknowns():
    upper = np.array([100.0, np.nan, 300.0, 300.0])
    depth_m = np.array([2.0, 2.0, np.nan, np.inf])
    own = layered_resistivity(wenner(4.0), upper, np.array([1000.0, 1000.0, 30.0, 300.0]), depth_m)
    assert np.isnan(own).tolist() == [False, True, True, False]
    assert own[0] == pytest.approx(layered_resistivity(wenner(4.0), 100.0, 1000.0, 2.0))
    assert own[3] == pytest.approx(300.0)
    assert np.isnan(apparent_resistivity(wenner(np.array([1.0, np.nan])), 3.0)).tolist() == [False, True]
    assert surface_kernel(np.ones((2, 3)), 0.5, 1.0).shape == (2, 3)
    assert np.ndim(layered_resistivity(wenner(4.0), 100.0, 1000.0, 2.0)) == 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: wenner(0.0), "spacing of a four-pin array must be greater than 0 m"),
        (lambda: Soil(-1.0, 100.0, 2.0), "upper_ohm_m of a soil must be greater than 0, not -1.0"),
        (lambda: Soil(100.0, 100.0, np.nan), "depth_m of a soil must be greater than 0, not nan"),
        (lambda: Soil(100.0, 200.0, np.inf), "need the depth of the boundary"),
        (lambda: uniform(0.0), "must be greater than 0"),
        (lambda: geometric_mean([1.0, 0.0]), "a resistivity must be greater than 0"),
    ],
)
def test_bad_input(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_mean_and_spread_by_hand():
    # ln 10 apart on either side: mean 100, standard deviation ln 10.
    assert geometric_mean([10.0, 100.0, 1000.0, np.nan]) == pytest.approx(100.0)
    assert log_spread([10.0, 100.0, 1000.0]) == pytest.approx(np.log(10))
    assert np.isnan(geometric_mean([np.nan]))
    assert np.isnan(log_spread([100.0]))

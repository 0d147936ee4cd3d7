"""Axes: round steps and plain numbers."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from towerlib.report import layout


@given(st.floats(1e-3, 1e6), st.integers(2, 20))
def test_steps_divide_a_length_into_few_enough_parts(length, most):
    step = layout.round_step(length, most)
    assert np.floor(length / step + 1e-9) <= most
    assert f"{step:e}"[0] in "125"
    assert np.floor(length / layout.round_step(length, 12) + 1e-9) >= 4


@given(st.floats(1e-3, 1e3), st.floats(1.5, 1e8))
def test_round_numbers_lie_between_the_ends(low, ratio):
    numbers = layout.round_numbers(low, low * ratio)
    assert ((numbers >= low) & (numbers <= low * ratio)).all()
    assert all(f"{number:e}"[0] in "125" and float(f"{number:.0e}") == number for number in numbers.round(9))

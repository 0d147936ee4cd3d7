"""Lightning formulas against a published current wave and the disruptive-effect criterion, which they do not use.

Papers as in `test_lightning_formulas.py`, and:

- Yin: Yin et al., lightning transient response of a bifurcation structure pylon (Elsevier), which quotes CIGRE
  Technical Brochure 839 and Anderson and Eriksson 1980.
- De Conti and Visacro, IEEE Trans. Electromagn. Compat. 49 (2007): waves as sums of Heidler functions; from memory.
"""

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.reference.two_point_current import volt_time_strength
from towerlib.physics.lightning import flashover, strokes

# First stroke: peak [kA], exponent, τ1, τ2 [µs]. The figures are De Conti and Visacro's, from memory; Yin, Table 2,
# prints τ1 of the sixth as 10 µs, a misprint for 100 µs: with 100 the sum peaks at the 31 kA it is meant to have.
FIRST_STROKE = (
    (3.0, 2, 3.0, 76.0),
    (4.5, 3, 3.5, 25.0),
    (3.0, 5, 5.2, 20.0),
    (3.8, 7, 6.0, 60.0),
    (13.6, 44, 6.6, 60.0),
    (11.0, 2, 100.0, 600.0),
    (5.7, 15, 11.7, 48.5),
)
STEP_US = 0.002
TIME_US = np.arange(0.0, 200.0, STEP_US)

# Alipio A: V0 = 0.77·CFO, exponent 1.36, DEc = 1.1506·CFO^1.36 with kV and µs.
ONSET, EXPONENT, DISRUPTIVE = 0.77, 1.36, 1.1506


def heidler(time_us, peak_ka, exponent, front_us, tail_us):
    """Heidler's function (IEC 62305-1:2010, Annex B, in this form from memory) [kA]."""
    steep = (time_us / front_us) ** exponent
    share = np.exp(-front_us / tail_us * (exponent * tail_us / front_us) ** (1 / exponent))
    return peak_ka / share * steep / (1 + steep) * np.exp(-time_us / tail_us)


def first_stroke(time_us, terms=FIRST_STROKE):
    """Current of a first stroke [kA]."""
    return sum(heidler(time_us, *term) for term in terms)


def effect(voltage, step_us=STEP_US):
    """Disruptive effect of a voltage over the CFO, by the rectangle rule [µs]."""
    return (np.maximum(voltage - ONSET, 0.0) ** EXPONENT).sum() * step_us


def crest_that_flashes(wave, step_us=STEP_US):
    """Crest over the CFO at which a wave of crest 1 just reaches the critical effect."""
    return brentq(lambda crest: effect(crest * wave, step_us) - DISRUPTIVE, 0.5, 100.0)


def standard_wave():
    """1.2/50 µs of IEC 60060-1 as two exponentials; time constants of common practice."""
    wave = np.exp(-TIME_US / 68.2) - np.exp(-TIME_US / 0.405)
    return wave / wave.max()


# The published wave of a first stroke.


def test_peak_of_the_published_wave():
    # Alipio B and Yin: 31 kA; the misprint would give 39 kA.
    assert first_stroke(TIME_US).max() == pytest.approx(31.00, abs=0.005)
    misprinted = [(*term[:2], 10.0, term[3]) if term[2] == 100.0 else term for term in FIRST_STROKE]
    assert first_stroke(TIME_US, misprinted).max() == pytest.approx(39.1, abs=0.05)


def test_front_against_the_published_wave():
    # Anderson and Eriksson 1980 (in Yin): medians 3.83 µs and 24.3 kA/µs, which the wave was made to have; the front
    # is taken up to the first of its two crests. Conditional medians at 31 kA meet it within 4 %.
    current_ka = first_stroke(TIME_US)
    first_crest_ka = current_ka[TIME_US < 9.5].max()
    at_30, at_90 = (TIME_US[np.argmax(current_ka >= part * first_crest_ka)] for part in (0.3, 0.9))
    front_us = (at_90 - at_30) / 0.6
    rise_ka_us = np.diff(current_ka).max() / STEP_US
    assert front_us == pytest.approx(3.83, rel=0.005)
    assert rise_ka_us == pytest.approx(24.3, rel=0.01)
    assert strokes.front_time(31.0) == pytest.approx(front_us, rel=0.04)


# Strength by the disruptive effect.


def test_disruptive_effect_of_the_standard_wave():
    # The CFO is the crest of a 1.2/50 wave at flashover, so that wave must have the printed critical effect.
    assert effect(standard_wave()) == pytest.approx(DISRUPTIVE, rel=0.03)


@pytest.mark.parametrize("tail_us", [10.0, 15.0, 20.0, 30.0, 50.0, 70.0, 100.0])
def test_short_tail_by_disruptive_effect(tail_us):
    # Front of 2 µs, then exp(−t/τ): range of tails for which 0.977 + 2.82/τ was made.
    wave = np.where(TIME_US < 2.0, TIME_US / 2.0, np.exp(-(TIME_US - 2.0) / tail_us))
    assert flashover.short_tail_factor(tail_us) == pytest.approx(crest_that_flashes(wave), rel=0.08)


@pytest.mark.parametrize(("time_us", "kv_m"), [(2.0, 820), (6.0, 585)])
def test_volt_time_curve(time_us, kv_m):
    # Anderson (1982), ch. 12: constants of the two-point method, 820 and 585 kV/m; from memory.
    assert volt_time_strength(1.0, time_us) == pytest.approx(kv_m, rel=0.003)


@pytest.mark.parametrize("time_us", [2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 16.0])
def test_volt_time_curve_by_disruptive_effect(time_us):
    # 1.2/50 wave that flashes over at this moment; the curve lies on the safe side, by less than 15 %.
    by_effect = crest_that_flashes(np.where(time_us >= TIME_US, standard_wave(), 0.0))
    by_curve = volt_time_strength(1.0, time_us) / flashover.flashover_voltage(1.0)
    assert 0.85 < by_curve / by_effect < 1.0

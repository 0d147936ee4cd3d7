"""Treatments by what the test after them shows."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from towerlib.changes import differences


def visits(soil_after="dry"):
    """A reading in dry soil before the treatment, and one after it."""
    days = pd.to_datetime(["2024-09-10", "2026-06-10"])
    return pd.DataFrame({"tower_id": "7", "date": days, "soil_state": ["dry", soil_after]})


def kind(before, after, u, limit=15.0, soil_after="dry"):
    """Kind of one treated tower, from the readings about the treatment and their joint uncertainty."""
    told = pd.DataFrame(
        {
            "tower_id": ["7"],
            "works_date": pd.Timestamp("2025-05-01"),
            "works_treatment": "deep rod",
            "works_verdict": "",
            "before_works_date": pd.Timestamp("2024-09-10"),
            "before_works_ohm": before,
            "after_works_date": pd.Timestamp("2026-06-10"),
            "after_works_ohm": after,
            "works_z": np.log(after / before) / u,
        }
    )
    study = SimpleNamespace(
        month="2026-06",
        condition=pd.DataFrame({"tower_id": ["7"], "limit_ohm": limit}),
        grades=SimpleNamespace(visits=visits(soil_after)),
    )
    (found,) = differences.treated(study, told, None, pd.DataFrame(columns=["tower_id", "earlier_id"]))
    return found["kind"].item(), found["sentence"].item()


@pytest.mark.parametrize(
    ("before", "after", "u", "expected"),
    [
        (30.0, 10.0, 0.08, differences.VERIFIED),
        (60.0, 25.0, 0.08, differences.PARTLY),
        (30.0, 29.0, 0.08, differences.FAILED),
        (30.0, 40.0, 0.08, differences.FAILED),
        (30.0, 24.5, 0.08, differences.OPEN),  # down by 2.5 u: perhaps
        (30.0, 29.0, 0.45, differences.OPEN),  # two seasons: a drop of 30 % is not ruled out
        (30.0, np.nan, 0.08, differences.OPEN),
    ],
)
def test_what_a_test_after_the_treatment_shows(before, after, u, expected):
    assert kind(before, after, u)[0] == expected


def test_a_reading_that_is_the_same_to_the_digit():
    """No change tells no uncertainty: that of two readings of one season, or none of two seasons."""
    assert kind(30.0, 30.0, 0.08)[0] == differences.FAILED
    assert kind(30.0, 30.0, 0.45, soil_after="wet")[0] == differences.OPEN


def test_a_treatment_that_brought_its_least_drop_is_rarely_called_a_failure():
    """One-sided beyond 2 standard deviations: 2.28 % (tables of the normal law)."""
    draw, count, u = np.random.default_rng(5), 4000, 0.082
    after = 30.0 * 0.7 * np.exp(u * draw.standard_normal(count))
    ruled_out = np.log(after / 30.0) - 2 * u > np.log(0.7)
    assert ruled_out.mean() == pytest.approx(0.0228, abs=4 * np.sqrt(0.0228 / count))
    failed = [kind(30.0, ohm, u)[0] == differences.FAILED for ohm in after[:40]]
    assert failed == list(ruled_out[:40])


def test_words_name_the_treatment_and_what_comes_next():
    assert kind(60.0, 25.0, 0.08)[1] == (
        "Deep rod of 2025-05-01: from 60 Ω (2024-09-10) to 25 Ω (2026-06-10), clearly down and still above the limit "
        "of 15 Ω."
    )
    assert "Test again" in kind(30.0, np.nan, 0.08)[1]

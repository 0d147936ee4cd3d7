"""Which queue a tower stands in, and where: the rules that are printed with the list."""

import numpy as np
import pandas as pd
import pytest

from towerlib import plan
from towerlib.config import parse
from towerlib.config.sections import Plan
from towerlib.errors import SettingsError
from towerlib.plan.priority import urgency

HEAD = 'line = { id = "low-moor", voltage_kv = 132, frequency_hz = 50 }\n'


def towers(count=1, **columns):
    """Sound towers, but for the columns that are given."""
    sound = {
        "occupancy": "remote",
        "leads_missing": np.nan,
        "corrosion": "none",
        "bond_seen": "sound",
        "suspected_cause": "none",
        "impedance_class": "good",
        "footing_ohm": 4.0,
        "impedance_rank": pd.array(range(1, count + 1), "Int64"),
        "chainage_km": np.arange(count) * 0.3,
        "leg_share_lambda": np.nan,
        "gap_fraction": np.nan,
    }
    return pd.DataFrame(sound | columns, index=range(count))


@pytest.mark.parametrize(
    ("occupancy", "screen", "queue"),
    [
        ("bare feet", "above", "safety"),
        ("frequented", "above", "safety"),
        ("accessible", "above", "none"),
        ("remote", "above", "none"),
        ("bare feet", "cannot tell", "none"),
        ("bare feet", "below", "none"),
        (None, "above", "none"),
    ],
)
def test_safety_is_where_people_often_are_and_the_screen_is_above_its_limit(occupancy, screen, queue):
    assert plan.queues(towers(occupancy=occupancy, safety_screen=screen)).to_list() == [queue]


def test_without_a_touch_screen_nobody_stands_in_the_safety_queue():
    assert plan.queues(towers(occupancy="bare feet")).to_list() == ["none"]


def test_safety_goes_before_a_lead_that_is_gone_and_a_lead_before_a_bond():
    both = towers(occupancy="frequented", safety_screen="above", leads_missing=2)
    assert plan.queues(both).to_list() == ["safety"]
    assert plan.queues(towers(leads_missing=1, suspected_cause="bond: inspect")).to_list() == ["repair"]


def test_bare_feet_come_first_then_the_higher_rise():
    known = towers(
        3,
        occupancy=["frequented", "bare feet", "bare feet"],
        safety_screen="above",
        potential_rise_v=[9000.0, 2000.0, 3000.0],
    )
    urgent = urgency(known, plan.queues(known))
    assert list(np.argsort(urgent)) == [2, 1, 0]


def test_the_footing_queue_takes_benefit_per_cost_then_avoided_then_impedance():
    known = towers(
        4,
        impedance_class="above limit",
        benefit_per_cost=[np.nan, 0.2, 0.5, np.nan],
        avoided_per_year=[0.01, 0.3, 0.1, np.nan],
    )
    queue = plan.queues(known)
    assert list(np.argsort(urgency(known, queue))) == [2, 1, 0, 3]
    assert list(np.argsort(urgency(known, queue, "avoided trip-outs"))) == [1, 2, 0, 3]
    assert list(np.argsort(urgency(known, queue, "impedance"))) == [0, 1, 2, 3]


def test_the_order_of_the_queues_can_be_set_and_is_told():
    line = parse(
        HEAD
        + '[plan]\norder = "queues"\nqueue_order = ["repair", "safety", "bond", "footing", "retest", "none"]'
    )
    assert "order repair, safety, bond" in plan.order_rule(line.plan)
    assert "never summed" in plan.order_rule(Plan())
    assert "by impedance" in plan.order_rule(Plan(order="queues", footing_order="impedance"))


@pytest.mark.parametrize(
    "order", ['["safety", "repair"]', '["safety", "safety", "bond", "footing", "retest", "none"]']
)
def test_an_order_that_lacks_a_queue_is_refused(order):
    with pytest.raises(SettingsError, match="occur in it exactly once"):
        parse(HEAD + f"[plan]\nqueue_order = {order}")

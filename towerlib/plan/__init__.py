"""What to do first, and what to do with a budget: the priority list and the plan."""

from towerlib.config.sections import QUEUES
from towerlib.plan.budget import Budget, join, optimise_plan
from towerlib.plan.priority import (
    COLUMNS,
    NEXT_STEP,
    TEXTS,
    order_rule,
    priority_list,
    queues,
    tiers,
    with_expected,
)

__all__ = [
    "COLUMNS",
    "NEXT_STEP",
    "QUEUES",
    "TEXTS",
    "Budget",
    "join",
    "optimise_plan",
    "order_rule",
    "priority_list",
    "queues",
    "tiers",
    "with_expected",
]

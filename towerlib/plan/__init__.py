"""What to do first, and what to do with a budget: the priority list and the plan."""

from towerlib.plan.budget import Budget, draw_up, join
from towerlib.plan.priority import COLUMNS, TEXTS, priority_list
from towerlib.plan.queues import NEXT_STEP, QUEUES, order_rule, queues

__all__ = [
    "COLUMNS",
    "NEXT_STEP",
    "QUEUES",
    "TEXTS",
    "Budget",
    "draw_up",
    "join",
    "order_rule",
    "priority_list",
    "queues",
]

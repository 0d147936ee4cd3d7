"""What to do first, and what to do with a budget: the priority list and the plan."""

from towerlib.plan.priority import COLUMNS, priority_list
from towerlib.plan.queues import NEXT_STEP, QUEUES, order_rule, queues

__all__ = ["COLUMNS", "NEXT_STEP", "QUEUES", "order_rule", "priority_list", "queues"]

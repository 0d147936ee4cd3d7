"""Tables of a portfolio: lines by avoidable trip-outs, safety, coverage, one budget."""

from __future__ import annotations

from typing import TYPE_CHECKING

from towerlib.report.tables import Table, nothing, table

if TYPE_CHECKING:
    from towerlib.portfolio import Portfolio


def ranked(portfolio: Portfolio) -> Table:
    """Lines by avoidable lightning trip-outs and by money."""
    columns = {
        "rank_trip_outs": "rank by trip-outs",
        "line_id": "line",
        "avoidable_per_year": "avoidable [1/year]",
        "avoidable_low": "low [1/year]",
        "avoidable_high": "high [1/year]",
        "rank_money": "rank by money",
        "money_per_year": "money [1/year]",
        "currency": "currency",
    }
    estimates = ("avoidable_per_year", "avoidable_low", "avoidable_high", "money_per_year")
    caption = "Lines by trip-outs that footings at target would avoid (80 % interval of the model)"
    return table(portfolio.lines, columns, caption, estimates=estimates)


def safety(portfolio: Portfolio) -> Table:
    """Number of towers with a safety finding, per line."""
    columns = {
        "line_id": "line",
        "safety_queue": "safety queue",
        "touch_above": "touch voltage above",
        "touch_cannot_tell": "touch voltage undecided",
        "leads_missing": "leads missing",
        "bonds_to_inspect": "bonds to inspect",
    }
    return table(portfolio.lines, columns, "Towers with a safety finding; not traded against cost")


def coverage(portfolio: Portfolio, rows: int = 10) -> Table:
    """Towers tested, overdue and never tested, one row per year back from the month."""
    columns = {
        "month": "month",
        "towers": "towers",
        "tested": "tested",
        "usable": "usable reading",
        "overdue": "overdue",
        "never_tested": "never tested",
        "above_limit": "above the limit",
    }
    return table(portfolio.coverage.iloc[::-12], columns, "Coverage and backlog of all lines", rows=rows)


def budgets(portfolio: Portfolio) -> Table:
    """The lines' own plans beside one plan over all lines with the same money in each year."""
    found = portfolio.split
    if found.table.empty:
        return nothing(" ".join(found.off) or "There is no budget to split.")
    money = f" [{found.currency}]" if found.currency else ""
    columns = {
        "line_id": "line",
        "own_budget": f"own budget{money}",
        "own_spent": f"own plan{money}",
        "own_towers": "own plan, towers",
        "own_per_year": "own plan avoids [1/year]",
        "spent": f"one plan{money}",
        "towers": "one plan, towers",
        "avoided_per_year": "one plan avoids [1/year]",
    }
    estimates = ("own_per_year", "avoided_per_year")
    amounts = ("own_budget", "own_spent", "spent")
    caption = "Own plans of the lines beside one plan with the same money"
    return table(found.table, columns, caption, estimates=estimates, amounts=amounts)

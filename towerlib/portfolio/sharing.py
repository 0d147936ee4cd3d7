"""Which lines can share one budget, and why the others cannot."""

from collections import Counter

import numpy as np


def able_to_share(lines, total=None):
    """Lines that can share a budget.

    Parameters
    ----------
    lines : sequence of LineMonth
    total : float, optional
        Money for all years; without it a line needs a budget of its own.

    Returns
    -------
    (list of LineMonth, list of str)
        The lines, and a sentence on each one left out. Currency, horizon and discount rate have to be alike, or
        neither money nor benefit adds up: those of most lines stand, of the first in the alphabet where as many
        lines have others.
    """
    told, able = [], []
    for line in lines:
        why = _why_not(line, total)
        told += [f"{line.line_id} is not in the split: {why}."] if why else []
        able += [] if why else [line]
    kinds = Counter(_kind(line) for line in able)
    usual = max(sorted(kinds), key=kinds.get, default=None)
    for line in able:
        if _kind(line) != usual:
            told.append(
                f"{line.line_id} is not in the split: its plan counts {_words(_kind(line))}, "
                f"others {_words(usual)}."
            )
    return [line for line in able if _kind(line) == usual], told


def _why_not(line, total):
    """Why a line has no part in the split; blank where it has."""
    options = line.options
    if not len(options):
        return "no treatment applies at any of its towers"
    if options["cost"].isna().all():
        return "its treatments have no price"
    if total is None and not np.isfinite(line.facts["budget"]):
        return "its budget is not set"
    return ""


def _kind(line):
    """What plans must have in common for their benefits and their money to add up."""
    facts = line.facts
    return facts["currency"], max(facts["horizon_years"], facts["years"]), facts["discount_rate"]


def _words(kind):
    currency, horizon, rate = kind
    return f"in {currency or 'no currency'} over {horizon:g} years at {rate:.1%}"

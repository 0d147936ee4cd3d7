"""Safety sentences of pages, files and notebooks, read from ``sentences.csv``.

`CAUTIONS` are on every page and in every file that may reach the field. The other sentences appear with their topic.
"""

from __future__ import annotations

from towerlib.sentences import wording

DEAD_LINE = wording("dead_line")
THUNDER = wording("thunder")
STEP_AND_TOUCH = wording("step_and_touch")
NEVER_OPEN = wording("never_open")
STOLEN_LEADS = wording("stolen_leads")
NO_PERMIT = wording("no_permit")
CAUTIONS = (DEAD_LINE, THUNDER, STEP_AND_TOUCH, NEVER_OPEN, STOLEN_LEADS, NO_PERMIT)
IN_SHORT = wording("in_short")
BASIS_ONLY = wording("basis_only")
INSPECT_BOND = wording("inspect_bond")
INSPECT_SPAN = wording("inspect_span")
TRIAGE = wording("triage")
SUSPICION = wording("suspicion")
DIGGING = wording("digging")
NEAR_WIRES = wording("near_wires")
LEADS = wording("leads")
PEOPLE = wording("people")


def text() -> str:
    """The cautions as lines of Markdown.

    >>> text().startswith("- A line out of service is not dead")
    True
    """
    return "\n".join(f"- {caution}" for caution in CAUTIONS)

"""Safety sentences of pages, files and notebooks, read from ``sentences.csv``.

`CAUTIONS` are on every page and in every file that may reach the field. The other sentences appear with their topic.
"""

from __future__ import annotations

from towerlib.sentences import sentence

DEAD_LINE = sentence("dead_line")
THUNDER = sentence("thunder")
STEP_AND_TOUCH = sentence("step_and_touch")
NEVER_OPEN = sentence("never_open")
STOLEN_LEADS = sentence("stolen_leads")
NO_PERMIT = sentence("no_permit")
CAUTIONS = (DEAD_LINE, THUNDER, STEP_AND_TOUCH, NEVER_OPEN, STOLEN_LEADS, NO_PERMIT)
IN_SHORT = sentence("in_short")
INSPECT_BOND = sentence("inspect_bond")
INSPECT_SPAN = sentence("inspect_span")
TRIAGE = sentence("triage")
SUSPICION = sentence("suspicion")
DIGGING = sentence("digging")
NEAR_WIRES = sentence("near_wires")
LEADS = sentence("leads")
PEOPLE = sentence("people")


def text() -> str:
    """The cautions as lines of Markdown.

    >>> text().startswith("- A line out of service is not dead")
    True
    """
    return "\n".join(f"- {caution}" for caution in CAUTIONS)

"""Safety sentences; the only place, so that each reads the same on pages, in files and in notebooks.

`CAUTIONS` are on every page and in every file that may reach the field. The other sentences appear with their topic.
Texts of rooms further left (readings, network) cannot import them; tests hold both to the same words.
"""

from __future__ import annotations

DEAD_LINE = (
    "A line out of service is not dead: induction from other circuits can hurt or kill. Treat every conductor, "
    "shield wire and lead as live unless the utility's licensed procedure has shown otherwise."
)
THUNDER = "Stop at thunder, and within the utility's stop distance of lightning: stop the test and disconnect the leads."
STEP_AND_TOUCH = (
    "A fault or a stroke during the test raises step and touch voltages at the tower, the leads and the far probes: "
    "keep people and animals away, never hold two leads at once."
)
NEVER_OPEN = (
    "Never open a shield-wire bond, a leg connection or an earthing lead outside the utility's licensed procedure. "
    "A suspected bond here means: inspect it."
)
STOLEN_LEADS = "Leads cut by thieves may be live under induction or a fault."
NO_PERMIT = (
    "Nothing here is a permit, a certificate of touch voltage or a switching instruction. Local codes and the "
    "utility's safety rules go before it."
)
CAUTIONS = (DEAD_LINE, THUNDER, STEP_AND_TOUCH, NEVER_OPEN, STOLEN_LEADS, NO_PERMIT)

IN_SHORT = (
    "Induced voltage on dead lines, lightning, step and touch voltage can kill. Never open a bond outside the utility's "
    "licensed procedure. Nothing here is a permit; local codes and the utility's rules go first."
)
BASIS_ONLY = "A basis for decisions, no permit and no certificate."
INSPECT_BOND = "Inspect the bond under the utility's licensed procedure; never open it for a test."
INSPECT_SPAN = (
    "Inspect bonds and shield wires under the utility's licensed procedure; never open a bond for a test."
)
TRIAGE = "The touch-voltage screening is a triage and no certificate."
SUSPICION = "A suspicion asks for an inspection; it is no proof of a fault."

DIGGING = (
    "Have buried services located before digging; support trenches, never undermine a foundation; trench along the "
    "contour of a slope; guard open ends and trenches from people and animals."
)
NEAR_WIRES = (
    "Work at the tower top, near conductors or on the shield wire: licensed people alone, under the utility's "
    "procedure, with the outage or live-line permit that it asks for."
)
LEADS = (
    "A lead that is cut or open may be live; leads and leg bonds are opened and joined only under the utility's "
    "licensed procedure, with a by-pass where it asks for one."
)
PEOPLE = "People are often here: have step and touch voltage checked by licensed persons before and after."


def text() -> str:
    """The cautions as lines of Markdown.

    >>> text().startswith("- A line out of service is not dead")
    True
    """
    return "\n".join(f"- {caution}" for caution in CAUTIONS)

"""What every page, list and notebook that may reach the field has to say."""

CAUTIONS = (
    "A line out of service is not dead: induction from other circuits can hurt or kill. Treat every conductor, "
    "shield wire and lead as live unless the utility's licensed procedure has shown otherwise.",
    "Stop at thunder, and within the utility's stop distance of lightning: stop the test and disconnect the leads.",
    "A fault or a stroke during the test raises step and touch voltages at the tower, the leads and the far probes: "
    "keep people and animals away, never hold two leads at once.",
    "Never open a shield-wire bond, a leg connection or an earthing lead outside the utility's licensed procedure. "
    "A suspected bond here means: inspect it.",
    "Leads cut by thieves may be live under induction or a fault.",
    "Nothing here is a permit, a certificate of touch voltage or a switching instruction. Local codes and the "
    "utility's safety rules go before it.",
)


def text():
    """The cautions as lines of Markdown.

    Returns
    -------
    str

    Examples
    --------
    >>> text().startswith("- A line out of service is not dead")
    True
    """
    return "\n".join(f"- {caution}" for caution in CAUTIONS)

"""What notebooks and pages say in words: small tables as text, and the answers at their end."""

from textwrap import fill

import pandas as pd

from towerlib.plan.queues import INSPECT

TO_LOOK_AT = (*INSPECT, "weak leg")


def table(frame, columns, rows=10):
    """The first rows of some columns as rounded text.

    Parameters
    ----------
    frame : pandas.DataFrame
    columns : list of str
    rows : int

    Returns
    -------
    str

    Examples
    --------
    >>> print(table(pd.DataFrame({"tower_id": ["012"], "footing_ohm": [3.14159]}), ["tower_id", "footing_ohm"]))
    tower_id  footing_ohm
         012         3.14
    """
    shown = frame[columns].head(rows).copy()
    for name in shown.select_dtypes("datetime"):
        shown[name] = shown[name].dt.strftime("%Y-%m-%d")
    return shown.to_string(index=False, na_rep="-", float_format=lambda value: f"{round(value, 2) + 0.0:.2f}")


def rows_used(study):
    """Rows in, used, repaired and rejected of each table that has any, as text.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    str
    """
    counts = study.records.counts
    return counts[counts["rows_in"] > 0].to_string()


def verdicts(study):
    """How many visits up to the month are usable, and the commonest reasons why others are not.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    str
    """
    visits = study.grades.visits
    seen = visits[visits["date"].dt.strftime("%Y-%m") <= study.month]
    counts = seen["verdict"].value_counts().sort_index().rename("visits")
    findings = study.grades.findings
    findings = findings[findings["visit_id"].isin(seen["visit_id"])]
    rules = findings.groupby(["severity", "rule"]).size().rename("visits")
    rules = rules.reset_index().sort_values(["severity", "visits", "rule"], ascending=[False, False, True])
    return counts.to_string() + "\n\n" + (rules.to_string(index=False) if len(rules) else "every rule is met")


def condition_answer(study):
    """Which towers earth badly and which gaps are wide, in sentences.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    str
    """
    towers = study.condition
    classes = towers["impedance_class"].value_counts()
    ranked = towers.sort_values("impedance_rank").head(3)
    gaps = towers[towers["gap_rank"].notna()].sort_values("gap_rank").head(3)
    unread = int(towers["footing_ohm"].isna().sum())
    lines = [
        f"{study.line.title}, as of {study.month}: {len(towers)} towers over {study.route.length_m / 1000:.1f} km.",
        f"{classes.get('above limit', 0)} lie above the limit, {classes.get('acceptable', 0)} are acceptable, "
        f"{classes.get('good', 0)} are good; {unread} have no usable reading of the footing alone.",
        _leaders("Highest footing impedance", ranked, "footing_ohm", "{:.1f} Ω"),
        _leaders("Most suspect by gap and low total", gaps, "leakage_total_ma", "total {:.1f} mA"),
        *(f"Rule: {rule}." for rule in towers["limit_rule"].unique()),
        _sureness(towers),
        f"Suspected from the leg currents: {_suspects(towers)}.",
        "A wide gap asks for an inspection of bond and coils; it does not prove a fault.",
        *study.route.remarks,
    ]
    return "\n".join(line for line in lines if line)


def _sureness(towers):
    """How sure it is who belongs to the worst tenth."""
    counts = towers["rank_confidence"].value_counts()
    return (
        f"Worst tenth by footing impedance: {counts.get('sure', 0)} towers are surely in or out of it, "
        f"{counts.get('likely', 0)} likely, for {counts.get('open', 0)} it is open; there a further test is worth most."
    )


def _suspects(towers):
    """Causes to look at with the number of their towers."""
    counts = towers.loc[towers["suspected_cause"].isin(TO_LOOK_AT), "suspected_cause"].value_counts()
    return "; ".join(f"{cause}: {count}" for cause, count in counts.items()) or "nothing"


def suspicions(study):
    """How many towers each suspected cause has, commonest first, as text.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    str
    """
    causes = study.condition["suspected_cause"].fillna("no leg currents read")
    counts = causes.value_counts(sort=True)
    return counts.rename_axis("suspected cause").rename("towers").to_string()


def told(towers, rows=10):
    """Tower, cause and evidence of the first towers, one paragraph each.

    Parameters
    ----------
    towers : pandas.DataFrame
        With tower_id, suspected_cause, evidence.
    rows : int

    Returns
    -------
    str
    """
    lines = [
        f"{row.tower_id}: {row.suspected_cause}. {row.evidence}" for row in towers.head(rows).itertuples()
    ]
    return "\n".join(fill(line, 110, subsequent_indent="  ") for line in lines) or "No tower is suspected."


def _leaders(title, towers, column, form):
    """The first few towers of a rank with their figures."""
    named = [
        f"{tower} ({form.format(value)})"
        for tower, value in zip(towers["tower_id"], towers[column], strict=True)
        if pd.notna(value)
    ]
    return f"{title}: {', '.join(named)}." if named else ""


def plan_answer(study):
    """How many towers each queue holds and who leads, in sentences.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    str
    """
    parts = [f"{study.line.title}, as of {study.month}:"]
    for queue, towers in study.priority.groupby("queue", sort=False):
        if queue != "none":
            parts.append(f"{queue}: {len(towers)} towers, first {', '.join(towers['tower_id'].head(3))}.")
    parts.append(f"{(study.priority['queue'] == 'none').sum()} towers need no work now.")
    return "\n".join(parts)

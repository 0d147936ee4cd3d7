"""What ambient currents and injected tests can show of a line as a network, and what they cannot."""

from textwrap import fill

import numpy as np
import pandas as pd

from towerlib.plan.priority import INSPECT

CAN = (
    "Current in service: the load induces a current in the shield wires. Where it is the same in all spans, as on a "
    "stretch of one arrangement, the footings carry none of it, whatever their resistance and whatever the state "
    "of the bonds. What a tower does carry comes from places where the induction changes.",
    "An open span is such a place: the whole induced current, amperes, goes to earth at the towers beside it, and less "
    "from tower to tower. That shows in service alone. A transposition, another arrangement of the conductors, a tee "
    "or a line end does the same to a sound line.",
    "Usual sizes: milliamperes to tens of milliamperes mid-line; 0.1 to 2 A near stations, transpositions, changes "
    "of arrangement and broken wires; more beside double circuits with equal phasing. Clean insulators leak "
    "tenths of a milliampere. These are figures of our own models; we know of no published ones.",
)
CANNOT = (
    "An open bond mid-line changes hardly anything in service: a tower that carries little with its bond carries "
    "little without. Low totals where neighbours carry much are a hint, no more; a lost footing looks the "
    "same. A zero gap is no proof of a good bond either.",
    "More visits in service do not help: what differs from span to span is the same every time. The load is not "
    "known, so only readings of one round are compared.",
    "The gap in milliamperes is the weakest sign: a ring or counterpoise that joins the legs makes it large with a sound "
    "bond. That a wide gap hints at a bond is reasoned from a model; we know of no printed rule.",
)
TEST = (
    "The injected test decides: with a sound bond the legs take some 0.05 to 0.3 of the current, without one all "
    "of it. Of two shield wires one bond is enough to look sound. Without coils a tower with an open bond reads "
    "its own footing; beside an open span two neighbours read nearly twice as much, which fades from tower to "
    "tower. A worn bond of a few ohms looks like an open span at one tower; the neighbours tell.",
)


def ambient_text(width=110):
    """What currents in service can and cannot show, and what the injected test adds, in plain words.

    Parameters
    ----------
    width : int
        Characters of a line.

    Returns
    -------
    str

    Notes
    -----
    Sizes by own ladder models; no published currents of footings in service are known to us.

    Examples
    --------
    >>> ambient_text().startswith("What currents in service can show")
    True
    """
    parts = {
        "What currents in service can show": CAN,
        "What they cannot": CANNOT,
        "What the injected test adds": TEST,
    }
    lines = []
    for head, sentences in parts.items():
        lines += [head, *(fill(f"- {words}", width, subsequent_indent="  ") for words in sentences)]
    return "\n".join(lines)


def ambient_on_line(network, width=110):
    """What the readings of one line could have shown of its bonds and spans, in sentences.

    Parameters
    ----------
    network : Network
        As of `towerlib.network.assess`.
    width : int
        Characters of a line.

    Returns
    -------
    str
    """
    bonds, spans = network.towers["bond_scan"], network.spans["span_scan"]
    if (bonds == "").all() and (spans == "").all():
        return "\n".join(fill(words, width) for words in network.off) or "The scan of the line is off."
    read = network.towers["leg_share_measured"].notna().to_numpy()
    shown = network.towers["bond_testable"].eq(True).fillna(False).to_numpy(bool)
    asked = network.towers["bond_testable"].notna().to_numpy(bool)
    words = [
        f"On this line an open span would show in {_of(spans != 'not testable')} spans, an open bond at "
        f"{_of(shown[asked])} towers with a bond.",
        f"{np.count_nonzero(read)} towers have an injected test that speaks of their own bond; of the other "
        f"{np.count_nonzero(asked & ~read)} an open bond would show at {np.count_nonzero(shown & ~read)}.",
    ]
    return "\n".join(fill(one, width) for one in words)


def _of(true):
    """How many of how many."""
    return f"{int(np.count_nonzero(true))} of {len(true)}"


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
    study : Study

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
    study : Study

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
    study : Study

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
    study : Study

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
    study : Study

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

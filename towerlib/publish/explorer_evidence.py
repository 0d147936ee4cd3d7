"""What the page says of the tower or the span that is chosen: paragraphs under headings."""

from towerlib.months import last_day
from towerlib.publish import explorer_words as words
from towerlib.publish.explorer_outlook import plan_year
from towerlib.publish.lettering import one_line, plain

SECTIONS = {  # heading, and the words that its terms need
    "What to do next": "Queue: why the tower is on the priority list; safety and reliability are never summed.",
    "Suspected cause": "What leg currents and the eyes of the crew point to: a suspicion, no proof.",
    "Footing": "In brackets the interval that instrument and season leave open. Rank 1: the highest on the line.",
    "Leg currents in service": "Gap = arithmetic sum of the leg currents − their vector total; an indicator, not a fault.",
    "Shield-wire bond": "The joint between tower and shield wire. Never open one outside the licensed procedure. "
    "A resistance below zero: less was read than a sound bond lets expect.",
    "Earth fault at this tower": "Potential rise: voltage of the tower against remote earth while the fault lasts. The "
    "touch-voltage screen sorts towers for a closer look; it is no certificate.",
    "Lightning": "Trip-out: a stroke flashes back over the insulators and the breakers open. In brackets the band of "
    "what was read and set; the method alone is uncertain by a factor of 2 to 5.",
    "Treatment": "What the plan proposes; cost in the currency of the line's settings.",
    "Next test": "",
    "Over the years": "Comparable readings alone: same method, season and probes.",
    "The tower": "",
    "Visits, newest first": "Verdict: whether the reading can be trusted, by the quality rules.",
}


def of_towers(study):
    """Paragraphs of every tower.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    list of dict of str to list of str
        One a tower in the order of the condition: key of `SECTIONS` to its paragraphs; blank ones left out.
    """
    towers = _joined(study)
    seen, retests = _visits(study), study.retest.set_index("tower_id", drop=False).to_dict("index")
    told = []
    for tower in towers.to_dict("records"):
        name = tower["tower_id"]
        parts = words.paragraphs(tower, retests.get(name), len(towers), study.line.plan.currency)
        parts["Visits, newest first"] = seen.get(name, ["No visit up to this month."])
        told.append({title: kept for title, some in parts.items() if (kept := [p for p in some if p])})
    return told


def of_spans(spans):
    """Paragraphs of every span.

    Parameters
    ----------
    spans : pandas.DataFrame
        As `Network.spans` has them.

    Returns
    -------
    list of list of str
        One a span in their order.
    """
    told = []
    for span in spans.to_dict("records"):
        state = {
            "suspected": "A broken shield wire is suspected in this span.",
            "none": "Nothing is suspected here.",
        }
        told.append(
            [
                f"Length {span['length_m']:.0f} m.",
                state.get(span["span_scan"], f"Scan: {span['span_scan']}.")
                if words.known(span["span_scan"])
                else "Not judged.",
                span["span_evidence"] if words.known(span["span_evidence"]) else "",
                "Next step: inspect wire, joints and bonds at both towers under the utility's licensed procedure."
                if span["span_scan"] == "suspected"
                else "",
            ]
        )
    return [[text for text in each if text] for each in told]


def _joined(study):
    """All that is known of each tower in one row; what stands in two tables is taken from the first."""
    condition, plan = study.condition, plan_year(study)
    towers = condition.assign(plan_year=condition["tower_id"].map(plan) if plan is not None else float("nan"))
    for other in (study.network.towers, study.outages.towers, study.priority):
        fresh = ["tower_id", *(name for name in other if name not in towers)]
        towers = towers.merge(other[fresh], on="tower_id", how="left", validate="1:1")
    blank = [name for name in ("treatment", "cost", "predicted_ohm", "package") if name not in towers]
    return towers.assign(**dict.fromkeys(blank))


def _visits(study):
    """One line a visit, newest first, by tower."""
    visits = study.grades.visits
    visits = visits[visits["date"] <= last_day(study.month)].sort_values(
        "date", ascending=False, kind="stable"
    )
    columns = ["tower_id", "date", "method", "impedance_ohm", "verdict", "reasons"]
    sides = visits["impedance_ohm_bound"] if "impedance_ohm_bound" in visits else [None] * len(visits)
    told = {}
    for (tower, date, method, ohm, verdict, reasons), side in zip(
        visits[columns].itertuples(index=False), sides, strict=True
    ):
        sign = f"{side} " if words.known(side) else ""
        read = f"{sign}{plain(ohm)} Ω" if words.known(ohm) else "no impedance"
        why = f": {one_line(reasons)}" if words.known(reasons) else ""
        told.setdefault(tower, []).append(
            f"{words.day(date)}, {method if words.known(method) else 'method not recorded'}: {read}, {verdict}{why}"
        )
    return told

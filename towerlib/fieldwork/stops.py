"""One stop a tower: why a crew goes there, what was read last, what to expect, what to do and to beware of."""

import numpy as np
import pandas as pd

from towerlib.months import last_day

REGISTER = ["leg_count", "leg_spacing_m", "earth_paths_in_coils", "upper_layer_ohm_m", "lower_layer_ohm_m"]
KEPT = """
    stop place tower_id chainage_km latitude_deg longitude_deg structure access occupancy shield_wire ring leg_count
    leg_spacing_m earth_paths_in_coils upper_layer_ohm_m lower_layer_ohm_m bearing_deg deviation_deg place_remark
    footing_ohm footing_date footing_low_ohm footing_high_ohm lower_bound_ohm limit_ohm
""".split()
ROUTE = ["bearing_deg", "deviation_deg", "place_remark"]
SAFETY = ["safety_screen", "safety_evidence"]
WIRES = r"counterpoise|radial|buried|\bring\b|\bearth(?:ing)? strip"  # words of a treatment that leaves metal lying in the soil
RETEST = {
    "never tested": "Never tested.",
    "only read without coils": "Only read without coils so far, which is a lower bound of the footing.",
    "no usable reading": "No reading can be used so far.",
}
QUEUES = {
    "safety": "people are often there, and the touch-voltage screen is above its limit",
    "repair": "earthing leads are cut, gone or corroded",
    "bond": "the shield-wire bond or the coils are in doubt",
    "footing": "earthing work is due or planned here",
}
LIVE_LEADS = "Leads were missing or cut here: whatever hangs or lies loose may be live."
BOND = "A bond is in doubt here: look at it from the ground, and open or touch nothing."
TOUCH = "The touch-voltage screen is above its limit here: a fault during the test may raise the tower dangerously."


def stops(study, tower_ids):
    """The stops of a field sheet, in route order.

    Parameters
    ----------
    study : Assessment
    tower_ids : list of str

    Returns
    -------
    pandas.DataFrame
        One row a tower: ``stop`` (1 to n), ``place`` (number on the route), tower_id, chainage_km, latitude_deg,
        longitude_deg, structure, access, occupancy, shield_wire, ring; leg_count, leg_spacing_m,
        earth_paths_in_coils, upper_layer_ohm_m, lower_layer_ohm_m; bearing_deg, deviation_deg,
        place_remark; footing_ohm, footing_date, footing_low_ohm, footing_high_ohm, lower_bound_ohm, limit_ohm;
        wires (what is buried there as far as works tell, "" else), wires_m; and sentences: ``why``,
        ``last_said``, ``expected_said``, ``setup_said``, ``what_to_do``, ``cautions``.
    """
    towers = study.condition.reindex(columns=[*dict.fromkeys([*study.condition, *SAFETY])])
    register = study.records.towers.set_index("tower_id")[REGISTER]
    along = pd.DataFrame(study.route.towers).set_index("tower_id")[ROUTE]
    towers = towers.join(register, on="tower_id", validate="1:1").join(along, on="tower_id", validate="1:1")
    towers["place"] = np.arange(1, len(towers) + 1)
    called = towers[towers["tower_id"].isin(tower_ids)].reset_index(drop=True)
    called.insert(0, "stop", np.arange(1, len(called) + 1))
    buried, treated = _works(study, called)
    return called[KEPT].assign(
        wires=_told(called, buried["treatment"]),
        wires_m=[float(buried["quantity"].get(name, np.nan)) for name in called["tower_id"]],
        why=_why(study, called),
        last_said=[_last(tower) for tower in called.itertuples()],
        expected_said=[_expected(tower, treated.get(tower.tower_id, "")) for tower in called.itertuples()],
        setup_said=_setups(study, called),
        what_to_do=_what_to_do(study, called),
        cautions=[_cautions(tower) for tower in called.itertuples()],
    )


def ohms(number):
    """A resistance as it is said: three digits.

    Examples
    --------
    >>> ohms(0.3471), ohms(25.9), ohms(1234.0)
    ('0.347', '25.9', '1234')
    """
    return f"{number:.3g}" if number < 1000 else f"{number:.0f}"


def _works(study, called):
    """Buried wires of each tower with their longest run of metres, and what was done since its last reading."""
    works = study.records.works
    works = works[works["date"] <= last_day(study.month)].sort_values("date", kind="stable")
    laid = works[works["treatment"].str.contains(WIRES, case=False, na=False)]
    buried = laid.groupby("tower_id").agg({"treatment": "; ".join, "quantity": "max"})
    read = called.set_index("tower_id")["footing_date"]
    since = works[works["date"] > works["tower_id"].map(read)]
    said = {
        name: "; ".join(f"{work.treatment}, {work.date:%Y-%m-%d}" for work in done.itertuples())
        for name, done in since.groupby("tower_id")
    }
    return buried, said


def _why(study, called):
    """Why each tower is on the sheet."""
    again = study.retest.set_index("tower_id")
    listed = study.priority.set_index("tower_id")
    said = []
    for name in called["tower_id"]:
        parts = [_retest(again.loc[name])] if name in again.index else []
        if (entry := listed.loc[name])["queue"] in QUEUES:
            parts.append(
                f"Priority list: {_ordinal(entry['queue_rank'])} in the {entry['queue']} queue, since "
                f"{QUEUES[entry['queue']]}. {entry['evidence']}".strip()
            )
        said.append(" ".join(parts) or "Asked for by name or stretch; no test is due.")
    return said


def _retest(entry):
    """Why a tower is on the retest list."""
    return RETEST.get(entry["reason"]) or f"The test is overdue since {entry['due_date']:%Y-%m-%d}."


def _ordinal(number):
    """A place in a list, such as 1st.

    Examples
    --------
    >>> [_ordinal(place) for place in (1, 2, 3, 4, 11, 12, 13, 21, 112)]
    ['1st', '2nd', '3rd', '4th', '11th', '12th', '13th', '21st', '112th']
    """
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _last(tower):
    """The last value with its date."""
    if pd.notna(tower.footing_ohm):
        verdict = "" if tower.verdict == "usable" else f" ({tower.verdict})"
        return f"{ohms(tower.footing_ohm)} Ω on {tower.footing_date:%Y-%m-%d}{verdict}"
    if pd.notna(tower.lower_bound_ohm):
        return f"at least {ohms(tower.lower_bound_ohm)} Ω (read without coils, or beyond the range)"
    return "no usable value"


def _expected(tower, treated):
    """The band in which the footing lies, whatever the season."""
    if pd.isna(tower.footing_ohm):
        return "nothing to compare with: read twice, and move the potential probe between the readings"
    low, high = tower.footing_low_ohm, tower.footing_high_ohm
    band = f"{ohms(low)} to {ohms(high)} Ω" if np.isfinite(high) else f"{ohms(low)} Ω or more"
    if treated:
        return f"below {band}, which was the band before the earthing was treated ({treated})"
    return f"{band}, instrument and seasons included"


def _setups(study, called):
    """How the reading that stands was taken, so that the next one can be compared with it."""
    visits = study.grades.visits.set_index("visit_id")
    return [
        _setup(visits.loc[name]) if isinstance(name, str) and name in visits.index else ""
        for name in called["footing_visit_id"]
    ]


def _setup(visit):
    """One set-up in words; what was not recorded is left out."""
    parts = [str(visit["method"])]
    if pd.notna(visit["test_frequency_hz"]):
        parts.append(f"{visit['test_frequency_hz']:g} Hz")
    if pd.notna(visit["soil_state"]):
        parts.append(f"soil {visit['soil_state']}")
    for probe in ("current", "potential"):
        away, toward = visit[f"{probe}_probe_distance_m"], visit[f"{probe}_probe_bearing_deg"]
        if pd.notna(away):
            parts.append(f"{probe} probe {away:g} m" + (f" at {toward:.0f}°" if pd.notna(toward) else ""))
    return ", ".join(parts)


def _what_to_do(study, called):
    """What the rules asked of the crew, and the next step of the priority list."""
    again = study.retest.set_index("tower_id")["what_to_do"]
    steps = study.priority.set_index("tower_id")
    steps = steps["next_step"].where(steps["queue"].isin(QUEUES))
    asked = pd.Series(_findings(study).to_dict() | again.to_dict(), dtype="str")
    told = zip(_told(called, asked), _told(called, steps.dropna()), strict=True)
    usual = "Read with coils round all legs, as laid out below."
    return [" ".join(part for part in parts if part) or usual for parts in told]


def _told(called, sentences):
    """Sentences of the towers called at, "" where there is none; an empty Series would have no type to look in."""
    known = sentences.to_dict()
    return [known.get(name, "") for name in called["tower_id"]]


def _findings(study):
    """What the rules said of the newest visit of each tower; sound ones are left out."""
    visits = study.grades.visits
    seen = visits[visits["date"] <= last_day(study.month)].sort_values("date", kind="stable")
    newest = seen.drop_duplicates("tower_id", keep="last")["visit_id"]
    told = study.grades.findings
    return told[told["visit_id"].isin(newest)].groupby("tower_id")["sentence"].agg(" ".join)


def _cautions(tower):
    """What to beware of at this very tower."""
    parts = [TOUCH] if tower.safety_screen == "above" else []
    if tower.leads_missing > 0:
        parts.append(LIVE_LEADS)
    if tower.bond_seen in ("damaged", "missing") or "bond" in str(tower.suspected_cause):
        parts.append(BOND)
    return " ".join(parts)

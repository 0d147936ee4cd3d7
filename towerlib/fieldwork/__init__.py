"""The next field visit: selected towers, and the facts, instructions and cautions at each stop.

`probe_layout` places the probes, `forms` holds the rows to fill in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError, nearest
from towerlib.fieldwork import forms, probe_layout
from towerlib.months import last_day
from towerlib.readings.causes import BOND_GONE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import geopandas as gpd

    from towerlib.assessment import Study


QUEUES = ("safety", "repair", "bond", "footing")  # queues of the priority list that can be requested by name
SAID = {
    "retest": "Towers on the retest list",
    "priority": "Towers of the priority list with something to do",
    "plan": "Towers that the plan treats",
    "all": "All towers",
} | {queue: f"Towers in the {queue} queue of the priority list" for queue in QUEUES}
REGISTER = ["leg_count", "leg_spacing_m", "earth_paths_in_coils", "upper_layer_ohm_m", "lower_layer_ohm_m"]
KEPT = """
    stop place tower_id chainage_km latitude_deg longitude_deg structure access occupancy shield_wire ring leg_count
    leg_spacing_m earth_paths_in_coils upper_layer_ohm_m lower_layer_ohm_m bearing_deg deviation_deg place_remark
    footing_ohm footing_date footing_low_ohm footing_high_ohm lower_bound_ohm limit_ohm
""".split()
ROUTE = ["bearing_deg", "deviation_deg", "place_remark"]
SAFETY = ["safety_screen", "safety_evidence"]
# words in the name of a treatment that leaves wire in the soil
WIRES = r"counterpoise|radial|buried|\bring\b|\bearth(?:ing)? strip"
RETEST = {
    "never tested": "Never tested.",
    "only read without coils": "Only read without coils so far, which is a lower limit of the footing.",
    "no usable reading": "No usable reading so far.",
}
QUEUE_REASONS = {
    "safety": "people are often there, and the touch-voltage screening is above its limit",
    "repair": "earthing leads are cut, missing or corroded",
    "bond": "the shield-wire bond or the coils are in doubt",
    "footing": "earthing work is due or planned here",
}
LIVE_LEADS = "Leads were missing or cut here: whatever hangs or lies loose may be live."
BOND = "A bond is in doubt here: look at it from the ground, and open or touch nothing."
TOUCH = (
    "The touch-voltage screening is above its limit here: a fault during the test may raise the tower to a dangerous "
    "potential."
)


@dataclass(frozen=True)
class FieldSheet:
    """Field sheet for a crew, as of a month ``YYYY-MM``."""

    line_id: str
    title: str
    month: str
    chosen: str  # selection of the towers, in one sentence
    stops: pd.DataFrame  # one row per tower in route order, from `stops`
    probe_layouts: pd.DataFrame  # one row per layout, from `towerlib.fieldwork.probe_layout.place_probes`
    visits: pd.DataFrame
    legs: pd.DataFrame  # visits and legs: rows to fill in, from `towerlib.fieldwork.forms`
    has_sweeps: bool  # the line's records hold sweeps over frequency
    remarks: list[str]  # unknowns of the surroundings, and remarks on the route


def prepare(
    study: Study,
    towers: str = "",
    *,
    from_km: float | None = None,
    to_km: float | None = None,
    context: Iterable[gpd.GeoDataFrame] = (),
) -> FieldSheet:
    """Field sheet for the next visit to towers of a line, chosen as by `choose`; errors as there.

    `context` holds further layers to keep clear of, named in ``attrs["name"]``.
    """
    tower_ids, chosen = choose(study, towers, from_km=from_km, to_km=to_km)
    called = stops(study, tower_ids)
    clearances = probe_layout.Clearances.of(study.line)
    layouts = probe_layout.place_probes(called, clearances)
    neighbours = probe_layout.neighbours(study, context)
    layouts = layouts.assign(doubts=probe_layout.layout_doubts(layouts, called, neighbours, clearances))
    called = called.assign(probe_doubts=probe_layout.stop_doubts(called, clearances))
    visits = forms.visits(called, study)
    called = called.assign(visit_id=visits["visit_id"].to_numpy())
    return FieldSheet(
        line_id=study.line.id,
        title=study.line.title,
        month=study.month,
        chosen=chosen,
        stops=called,
        probe_layouts=layouts,
        visits=visits,
        legs=forms.legs(called, study),
        has_sweeps=len(study.records.sweeps) > 0,
        remarks=[*neighbours.remarks, *study.route.remarks],
    )


def choose(
    study: Study, towers: str = "", *, from_km: float | None = None, to_km: float | None = None
) -> tuple[list[str], str]:
    """Selected towers in route order, and a sentence on the selection.

    `towers` is ``retest``, ``priority``, ``plan``, ``all``, a queue of the priority list, or tower names separated by
    commas; blank selects the retest list, or all towers of a given stretch of chainage [km], both ends included.
    `SettingsError` where a tower is unknown, none is selected, or a stretch ends before it starts.
    """
    check_stretch(from_km, to_km)
    stretch = from_km is not None or to_km is not None
    towers = towers.strip() or ("all" if stretch else "retest")
    wanted, said = _wanted(study, towers)
    along = study.route.towers
    at_km = along["chainage_m"] / 1000
    inside = at_km.ge(-math.inf if from_km is None else from_km)
    inside &= at_km.le(math.inf if to_km is None else to_km)
    found = along.loc[inside & along["tower_id"].isin(list(wanted)), "tower_id"].to_list()
    if stretch:
        said += _stretch(from_km, to_km)
    if not found:
        ends = f"the line runs from km 0 to km {at_km.iloc[-1]:.3f}" if stretch else "there is none"
        raise SettingsError(f"no tower for the field sheet ({said[0].lower()}{said[1:]}): {ends}")
    return found, said + "."


def check_stretch(from_km: float | None, to_km: float | None) -> None:
    """`SettingsError` unless the ends of a stretch of chainage [km] are finite and in order."""
    for name, value in (("--from-km", from_km), ("--to-km", to_km)):
        if value is not None and not math.isfinite(value):
            raise SettingsError(f"{name} {value} is not a chainage in km")
    if from_km is not None and to_km is not None and from_km > to_km:
        raise SettingsError(
            f"--from-km {from_km:g} lies beyond --to-km {to_km:g}; give the smaller one first"
        )


def _wanted(study, towers):
    """Requested towers, and a phrase for them; a name in the register takes precedence over a list name."""
    known = set(study.route.towers["tower_id"])
    if towers in SAID and towers not in known:
        listed, queue = study.priority, study.priority["queue"]
        kinds = {
            "retest": study.retest["tower_id"],
            "priority": listed.loc[queue != "none", "tower_id"],
            "plan": listed.loc[listed["package"].fillna("") != "", "tower_id"],
            "all": known,
        } | {name: listed.loc[queue == name, "tower_id"] for name in QUEUES}
        return set(kinds[towers]), SAID[towers]
    names = [towers] if towers in known else [name.strip() for name in towers.split(",") if name.strip()]
    unknown = [name for name in names if name not in known]
    if unknown:
        hint = nearest(unknown[0], [*sorted(known), *SAID], 2) or f"; or give {', '.join(SAID)}"
        raise SettingsError(f"{unknown[0]!r} is not a tower of {study.line.id}{hint}")
    return set(names), "Towers named for this sheet"


def _stretch(from_km, to_km):
    """A stretch in words."""
    start = "" if from_km is None else f" from km {from_km:g}"
    return start + ("" if to_km is None else f" to km {to_km:g}")


def stops(study: Study, tower_ids: Sequence[str]) -> pd.DataFrame:
    """Stops of a field sheet, one row per tower in route order.

    ``stop`` (1 to n), ``place`` (number on the route), tower_id, chainage_km, latitude_deg, longitude_deg, structure,
    access, occupancy, shield_wire, ring; leg_count, leg_spacing_m, earth_paths_in_coils, upper_layer_ohm_m,
    lower_layer_ohm_m; bearing_deg, deviation_deg, place_remark; footing_ohm, footing_date, footing_low_ohm,
    footing_high_ohm, lower_bound_ohm, limit_ohm; wires (buried wires by the records of works, "" else), wires_m; and
    sentences: ``why``, ``last_said``, ``expected_said``, ``setup_said``, ``what_to_do``, ``cautions``.
    """
    towers = study.condition.reindex(columns=[*dict.fromkeys([*study.condition, *SAFETY])])
    register = study.records.towers.set_index("tower_id")[REGISTER]
    along = pd.DataFrame(study.route.towers).set_index("tower_id")[ROUTE]
    towers = towers.join(register, on="tower_id", validate="1:1").join(along, on="tower_id", validate="1:1")
    towers["place"] = np.arange(1, len(towers) + 1)
    called: Any = towers[towers["tower_id"].isin(list(tower_ids))].reset_index(drop=True)
    called.insert(0, "stop", np.arange(1, len(called) + 1))
    buried, treated = _works(study, called)
    return called[KEPT].assign(
        wires=_by_tower(called, buried["treatment"]),
        wires_m=called["tower_id"].map(dict(buried["quantity"].items())).astype(float),
        why=_why(study, called),
        last_said=[_last(tower) for tower in called.itertuples()],
        expected_said=[_expected(tower, treated.get(tower.tower_id, "")) for tower in called.itertuples()],
        setup_said=_setups(study, called),
        what_to_do=_what_to_do(study, called),
        cautions=[_cautions(tower) for tower in called.itertuples()],
    )


def _works(study, called) -> tuple[Any, dict[Any, str]]:
    """Buried wires of each tower with their greatest length, and works since its last reading."""
    works = study.records.works
    works = works[works["date"] <= last_day(study.month)].sort_values("date", kind="stable")
    wires = works[works["treatment"].str.contains(WIRES, case=False, na=False)]
    buried = wires.groupby("tower_id").agg({"treatment": "; ".join, "quantity": "max"})
    read = called.set_index("tower_id")["footing_date"]
    since = works[works["date"] > works["tower_id"].map(read)]
    said = {
        name: "; ".join(f"{work.treatment}, {work.date:%Y-%m-%d}" for work in done.itertuples())
        for name, done in since.groupby("tower_id")
    }
    return buried, said


def _by_tower(called, sentences):
    """Sentence of each tower, "" without one; a dict avoids the missing type of an empty Series."""
    known = sentences.to_dict()
    return [known.get(name, "") for name in called["tower_id"]]


def _why(study, called):
    """Why each tower is on the sheet."""
    again = study.retest.set_index("tower_id")
    listed = study.priority.set_index("tower_id")
    said = []
    for name in called["tower_id"]:
        parts = [_retest(again.loc[name])] if name in again.index else []
        if (entry := listed.loc[name])["queue"] in QUEUE_REASONS:
            parts.append(
                f"Priority list: {_ordinal(entry['queue_rank'])} in the {entry['queue']} queue, because "
                f"{QUEUE_REASONS[entry['queue']]}. {entry['evidence']}".strip()
            )
        said.append(" ".join(parts) or "Selected by name or stretch; no test is due.")
    return said


def _retest(entry):
    """Why a tower is on the retest list."""
    return RETEST.get(entry["reason"]) or f"The test is overdue since {entry['due_date']:%Y-%m-%d}."


def _ordinal(number):
    """Ordinal number, such as 1st."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _last(tower):
    """Last value with its date."""
    if pd.notna(tower.footing_ohm):
        verdict = "" if tower.verdict == "usable" else f" ({tower.verdict})"
        return f"{ohms(tower.footing_ohm)} Ω on {tower.footing_date:%Y-%m-%d}{verdict}"
    if pd.notna(tower.lower_bound_ohm):
        return f"at least {ohms(tower.lower_bound_ohm)} Ω (read without coils, or beyond the range)"
    return "no usable value"


def ohms(number: float) -> str:
    """Resistance with three significant digits."""
    return f"{number:.3g}" if number < 1000 else f"{number:.0f}"


def _expected(tower, treated):
    """Expected interval of the footing, in any season."""
    if pd.isna(tower.footing_ohm):
        return "no value to compare with: read twice, and move the potential probe between the readings"
    low, high = tower.footing_low_ohm, tower.footing_high_ohm
    interval = f"{ohms(low)} to {ohms(high)} Ω" if np.isfinite(high) else f"{ohms(low)} Ω or more"
    if treated:
        return f"below {interval}, the interval before the earthing was treated ({treated})"
    return f"{interval}, including instrument and seasons"


def _setups(study, called):
    """Set-up of the reading in use, so that the next one is comparable."""
    visits = study.grades.visits.set_index("visit_id")
    return [
        _setup(visits.loc[name]) if isinstance(name, str) and name in visits.index else ""
        for name in called["footing_visit_id"]
    ]


def _setup(visit):
    """One set-up in words, without items that were not recorded."""
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
    """Requests of the quality rules, and the next step of the priority list."""
    again = study.retest.set_index("tower_id")["what_to_do"]
    steps = study.priority.set_index("tower_id")
    steps = steps["next_step"].where(steps["queue"].isin(QUEUE_REASONS))
    asked = pd.Series(_findings(study).to_dict() | again.to_dict(), dtype="str")
    both = zip(_by_tower(called, asked), _by_tower(called, steps.dropna()), strict=True)
    usual = "Read with coils round all legs, with the probe layouts below."
    return [" ".join(part for part in parts if part) or usual for parts in both]


def _findings(study):
    """Findings of the quality rules on the newest visit of each tower."""
    visits = study.grades.visits
    seen = visits[visits["date"] <= last_day(study.month)].sort_values("date", kind="stable")
    newest = seen.drop_duplicates("tower_id", keep="last")["visit_id"]
    findings = study.grades.findings
    return findings[findings["visit_id"].isin(newest)].groupby("tower_id")["sentence"].agg(" ".join)


def _cautions(tower):
    """Cautions at this tower."""
    parts = [TOUCH] if tower.safety_screen == "above" else []
    if tower.leads_missing > 0:
        parts.append(LIVE_LEADS)
    if tower.bond_seen in BOND_GONE or "bond" in str(tower.suspected_cause):
        parts.append(BOND)
    return " ".join(parts)

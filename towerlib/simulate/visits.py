"""What the crews bring back: visits, legs and sweeps of a line, flaws included."""

import numpy as np
import pandas as pd

from towerlib.simulate.electrics import TEST_HZ, state, stray
from towerlib.simulate.instrument import coils, injected, leaking, probes, set_scene, sweeps
from towerlib.simulate.rounding import significant, yes_no
from towerlib.simulate.schedule import schedule
from towerlib.simulate.towers import leg_names

VISIT_COLUMNS = [
    *(
        "visit_id",
        "tower_id",
        "date",
        "crew",
        "instrument_serial",
        "calibration_due",
        "in_service",
        "soil_state",
    ),
    *(
        "method",
        "test_frequency_hz",
        "test_voltage_v",
        "impedance_ohm",
        "impedance_no_coils_ohm",
        "injected_ma",
    ),
    *(
        "legs_ma",
        "leakage_total_ma",
        "stray_voltage_potential_v",
        "stray_voltage_current_v",
        "stray_frequency_hz",
    ),
    *("potential_probe_ohm", "current_probe_ohm", "potential_probe_distance_m", "current_probe_distance_m"),
    *("potential_probe_bearing_deg", "current_probe_bearing_deg", "coil_turns_worn", "coil_turns_set"),
    *("range_divisor", "overload", "leads_missing", "corrosion", "bond_seen", "photo", "latitude_deg"),
    *("longitude_deg", "note"),
]
NOTES = {
    "overload": "display unsteady, overload sign on",
    "probes too near": "wall and road, no room for the leads",
    "probes along the line": "steep, leads laid along the right-of-way",
    "high probe resistance": "dry stony ground, probes barely hold",
}
ONE_COIL_FLAWS = ("reversed coil", "two turns on one leg", "half the turns on one leg")


def readings(spec, settings, built, rng):
    """Tables that the crews bring back from a line.

    Parameters
    ----------
    spec, settings, built : LineSpec, dict, Built
        The line: specification, settings file, as built.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    dict of str to DataFrame
        ``visits``, ``legs``, ``sweeps`` in the columns of the records; ``truth-visits``: one row a flawed
        visit.
    """
    plan = schedule(spec, built, rng)
    flows = stray(built, spec.drive, rng)
    rounds = []
    for _, visits in plan.groupby("campaign"):
        # One state a round: nothing begins or ends while the crews are out.
        now = state(built, visits["date"].min().to_numpy(), visits["soil_state"].iloc[0])
        rounds.append(_round(set_scene(settings, built, flows, now, visits), rng))
    return {name: pd.concat([tables[name] for tables in rounds], ignore_index=True) for name in rounds[0]}


def _round(scene, rng):
    """Tables of one campaign."""
    gain = coils(scene, rng)
    probe = probes(scene, rng)
    tested, leg_ohm = injected(scene, gain, probe, rng)
    leakage, leg_ma = leaking(scene, gain, rng)
    return {
        "visits": _visits_table(scene, [probe, tested, leakage, _seen(scene, rng)]),
        "legs": _legs_table(scene, leg_ma, leg_ohm),
        "sweeps": sweeps(scene, gain, rng),
        "truth-visits": _truth_table(scene),
    }


def _seen(scene, rng):
    """Visible findings; most defects stay unseen, and some things are not written down."""
    begun = scene.tower("defect_since") <= scene.visits["date"].to_numpy()
    defect = np.where(begun, scene.tower("defect"), "none")
    draw = rng.random((4, len(defect)))
    position = np.c_[scene.tower("latitude_deg"), scene.tower("longitude_deg")]
    position = np.round(position + 8e-5 * rng.standard_normal(position.shape), 6)
    return pd.DataFrame(
        {
            "leads_missing": np.where((defect == "open leg") & (draw[0] < 0.9), 1, 0),
            "corrosion": pd.Series(_corrosion(defect, draw[0])).mask(draw[3] < 0.06),
            "bond_seen": pd.Series(_bond(defect, scene.tower("shield_wire"), draw[1:3])).mask(draw[3] > 0.96),
            "latitude_deg": position[:, 0],
            "longitude_deg": position[:, 1],
        }
    )


def _corrosion(defect, draw):
    """Corrosion class as seen."""
    usual = np.select([draw < 0.78, draw < 0.97], ["none", "light"], "heavy")
    return np.where(defect == "corroded leg", np.where(draw < 0.75, "heavy", "light"), usual)


def _bond(defect, shield_wire, draw):
    """Bond as seen from the ground; from there often nothing can be said."""
    noticed = np.select([defect == "open bond", defect == "worn bond"], [0.5, 0.35], 0.55)
    broken = np.where(draw[1] < 0.5, "missing", "damaged")
    kind = np.select([defect == "open bond", defect == "worn bond"], [broken, "damaged"], "sound")
    return np.where((draw[0] > noticed) | (shield_wire == "insulated"), "not seen", kind)


def _visits_table(scene, parts):
    """Visits in the columns of the records."""
    visits = pd.concat([scene.visits, *parts], axis=1)
    findings = (visits["leads_missing"] > 0) | (visits["corrosion"] == "heavy")
    findings |= visits["bond_seen"].isin(["missing", "damaged"])
    coiled = visits["method"] == "leg coils"
    return visits.assign(
        tower_id=scene.built.towers["tower_id"].to_numpy()[visits["place"]],
        in_service=yes_no(visits["method"] != "shield wire lifted"),
        method=visits["method"].mask(visits["flaw"] == "method not stated"),
        test_frequency_hz=TEST_HZ,
        coil_turns_worn=visits["coil_turns_worn"].where(coiled),
        coil_turns_set=visits["coil_turns_set"].where(coiled),
        overload=yes_no(visits["flaw"] == "overload"),
        photo=(visits["visit_id"] + "-1.jpg").where(findings),
        note=visits["flaw"].map(NOTES).mask(visits["repeat"] == "later", "second visit, set-up changed"),
    )[VISIT_COLUMNS]


def _legs_table(scene, leg_ma, leg_ohm):
    """One row a coil of a visit, from arrays (visits, 5)."""
    row, path = np.nonzero(np.isfinite(leg_ma))
    visits = scene.visits.iloc[row]
    flawed = visits["flaw"].isin(ONE_COIL_FLAWS[1:]) & (visits["flaw_leg"] == path) & visits["turn_written"]
    really_worn = np.where(visits["flaw"] == "two turns on one leg", 2, 1)
    return pd.DataFrame(
        {
            "visit_id": visits["visit_id"].to_numpy(),
            "leg": leg_names(scene.built.towers)[visits["stood"], path],
            "leakage_ma": leg_ma[row, path],
            "impedance_ohm": significant(leg_ohm[row, path]),
            "coil_turns_worn": np.where(flawed, really_worn, visits["coil_turns_worn"]),
        }
    )


def _truth_table(scene):
    """Flawed visits by name: the answer to whoever grades them."""
    visits = scene.visits
    lapsed = (visits["calibration_due"] < visits["date"]) & (visits["flaw"] == "")
    names = pd.Series(leg_names(scene.built.towers)[visits["stood"], visits["flaw_leg"]])
    table = pd.DataFrame(
        {
            "visit_id": visits["visit_id"],
            "tower_id": scene.built.towers["tower_id"].to_numpy()[visits["place"]],
            "flaw": visits["flaw"].mask(lapsed, "calibration lapsed"),
            "leg": names.where(visits["flaw"].isin(ONE_COIL_FLAWS)),
        }
    )
    return table[table["flaw"] != ""]

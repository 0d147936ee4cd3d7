"""Where the probes go at each tower: both sides across the line, and other directions to move to."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.physics.probes import GOLDEN, angle_off_line_deg
from towerlib.readings import rules
from towerlib.readings.answers import no
from towerlib.route import probe_bearings
from towerlib.route.ground import ELLIPSOID
from towerlib.values import number

STEP_M = 5.0  # current probes are laid in whole steps, always outward
TURN_DEG = 30.0  # an alternative is turned by this out of the main direction: the two of a side are 60° apart
WAYS = (  # name, side (0 left, 1 right), turn towards the next tower [°]
    ("left", 0, 0.0),
    ("right", 1, 0.0),
    ("left, forward", 0, TURN_DEG),
    ("left, back", 0, -TURN_DEG),
    ("right, forward", 1, TURN_DEG),
    ("right, back", 1, -TURN_DEG),
)
COLUMNS = """
    tower_id lay alternative bearing_deg off_line_deg current_m potential_m current_latitude_deg
    current_longitude_deg potential_latitude_deg potential_longitude_deg extent_m
""".split()


@dataclass(frozen=True)
class Clearances:
    """How far probes have to stay from what: the limits by which the readings will be judged."""

    line_m: float
    extents: float
    angle_deg: float
    wires_angle_deg: float

    @classmethod
    def of(cls, line):
        """The limits of a line; a rule that the user switched off keeps the shipped one here."""
        limits = {name: rule.threshold for name, rule in rules.table().items()}
        limits |= {rule.rule: rule.threshold for rule in rules.in_force(line.quality)}
        return cls(
            limits["current_probe_off_the_line"],
            limits["current_probe_off_the_footing"],
            limits["probes_across_the_line"],
            limits["probes_off_the_counterpoise"],
        )


def lay_probes(stops, clearances):
    """Places of both probes at each tower.

    Parameters
    ----------
    stops : DataFrame
        One row a tower: tower_id, latitude_deg, longitude_deg, bearing_deg, deviation_deg, structure, leg_count,
        leg_spacing_m, ring, wires, wires_m.
    clearances : Clearances

    Returns
    -------
    pandas.DataFrame
        One row a lay, main ones first: tower_id, lay, alternative (bool), bearing_deg (of both probes, true
        north), off_line_deg (to the nearer span), current_m and potential_m from the tower's middle, latitude and
        longitude of both probes, extent_m (largest known extent of the earthing). None for a tower where
        the line has no direction. Left and right are those of one who looks towards the last station.

    Notes
    -----
    The current probe goes to the largest of: the clearance from the line, which a slanting lead reaches farther
    out; 5 times the largest extent of the footing; twice that extent with the wires where some are known to be
    buried. It is rounded outward to 5 m, the potential probe to the metre next to 61.8 % of that, in the same
    direction: the place that reads true for a hemisphere in uniform soil. Alternatives nearer to a span than
    the angle asked for are left out; at buried wires, or where none are ruled out, that is 60°.

    References
    ----------
    MIL-HDBK-419A, volume 1, equations 2-41 to 2-46 (61.8 %); IEEE Std 81 for five times the largest extent
    (from memory); distances on the WGS 84 ellipsoid: C. F. F. Karney, J. Geodesy 87 (2013) 43-55.
    """
    parts = [_one_way(stops, way, order, clearances) for order, way in enumerate(WAYS)]
    laid = pd.concat(parts).dropna(subset=["bearing_deg"])
    least = np.where(maybe_wires(laid), clearances.wires_angle_deg, clearances.angle_deg)
    kept = laid[~laid["alternative"] | (laid["off_line_deg"].round(6) >= least)]
    kept = kept.sort_values(["stop", "order"], kind="stable")
    return kept[COLUMNS].reset_index(drop=True)


def maybe_wires(stops):
    """Towers with a buried ring or wire, or where the register does not rule one out."""
    return ~no(stops["ring"]).to_numpy(bool) | stops["wires"].ne("").to_numpy(bool)


def extent_m(stops):
    """Largest known extent of each tower's earthing: its legs' diagonal, with the wires where some are known.

    Parameters
    ----------
    stops : DataFrame
        structure, leg_count, leg_spacing_m, wires, wires_m.

    Returns
    -------
    (array, array)
        Without and with the wires [m].

    Notes
    -----
    Wires of a known whole length are taken as ``probe_wire_arms`` equal arms outward from the legs.
    """
    spacing_m = stops["leg_spacing_m"].fillna(number("treatment_spacing_m")).to_numpy(float)
    single = (stops["structure"].eq("monopole") & stops["leg_count"].isna()) | stops["leg_count"].eq(1)
    legs_m = np.where(single, number("treatment_pole_width_m"), spacing_m * np.sqrt(2.0))
    arm_m = stops["wires_m"].fillna(0.0).to_numpy(float) / number("probe_wire_arms")
    return legs_m, legs_m + 2.0 * arm_m


def _one_way(stops, way, order, clearances):
    """One lay at every tower."""
    name, side, turn_deg = way
    across = probe_bearings(stops["bearing_deg"].to_numpy(float))[side]
    bearing = np.mod(across + (turn_deg if side == 0 else -turn_deg), 360.0)
    turn_of_line = stops["deviation_deg"].fillna(0.0).to_numpy(float)
    off_line = angle_off_line_deg(bearing, stops["bearing_deg"].to_numpy(float), turn_of_line)
    legs_m, whole_m = extent_m(stops)
    current = _current_m(off_line, legs_m, whole_m, clearances)
    potential = np.round(GOLDEN * current)
    places = {"current": current, "potential": potential}
    columns = {"stop": stops["stop"], "order": order, "tower_id": stops["tower_id"], "lay": name}
    columns |= {"alternative": turn_deg != 0.0, "bearing_deg": bearing, "off_line_deg": off_line}
    for probe, away_m in places.items():
        latitude, longitude = _from(stops, bearing, away_m)
        columns |= {
            f"{probe}_m": away_m,
            f"{probe}_latitude_deg": latitude,
            f"{probe}_longitude_deg": longitude,
        }
    return pd.DataFrame(columns).assign(extent_m=whole_m, ring=stops["ring"], wires=stops["wires"])


def _current_m(off_line_deg, legs_m, whole_m, clearances):
    """Distance of the current probe, rounded outward; a lead that hugs a span is no reason to go on for ever."""
    slant = np.sin(np.radians(np.clip(off_line_deg, clearances.angle_deg, 90.0)))
    wired = np.where(whole_m > legs_m, number("probe_wire_extents") * whole_m, 0.0)
    needed = np.maximum(np.maximum(clearances.line_m / slant, clearances.extents * legs_m), wired)
    return STEP_M * np.ceil(np.round(needed, 1) / STEP_M)  # a centimetre over a step is none


def _from(stops, bearing_deg, away_m):
    """Latitude and longitude of places in a direction and distance from the towers."""
    here = stops["longitude_deg"].to_numpy(float), stops["latitude_deg"].to_numpy(float)
    known = np.isfinite(bearing_deg)
    longitude, latitude, _ = ELLIPSOID.fwd(*here, np.where(known, bearing_deg, 0.0), away_m)
    return np.where(known, latitude, np.nan), np.where(known, longitude, np.nan)

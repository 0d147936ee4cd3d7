"""Probe layouts at each tower, and what speaks against them: lines, stations, buried metal, soil layers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from towerlib import route
from towerlib.errors import TowerlibError
from towerlib.physics.probes import GOLDEN, angle_off_line_deg
from towerlib.readings import quality
from towerlib.readings.methods import no, yes
from towerlib.records.load import load
from towerlib.route import ELLIPSOID, points_on_grid, probe_bearings
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pyproj import CRS

    from towerlib.assessment import Study
    from towerlib.config import Line


STEP_M = 5.0  # current probes are placed in whole steps, rounded outward
TURN_DEG = 30.0  # turn of an alternative from the main direction: the two of a side are 60° apart
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
class Around:
    """Objects to keep clear of, on the grid `crs` of the route; `remarks` lists data that could not be read.

    `lines` has tower_ids too: the towers at the ends of one of this line's own spans, else empty.
    """

    lines: gpd.GeoDataFrame
    stations: gpd.GeoDataFrame
    crs: CRS
    remarks: list[str]


@dataclass(frozen=True)
class Clearances:
    """Required clearances of the probes: the limits by which the readings are graded."""

    line_m: float
    extents: float
    angle_deg: float
    wires_angle_deg: float

    @classmethod
    def of(cls, line: Line) -> Clearances:
        """Limits of a line; for a rule switched off by the user the shipped limit applies here."""
        limits = {name: rule.threshold for name, rule in quality.table().items()}
        limits |= {rule.rule: rule.threshold for rule in quality.in_force(line.quality)}
        return cls(
            limits["current_probe_off_the_line"],
            limits["current_probe_off_the_footing"],
            limits["probes_across_the_line"],
            limits["probes_off_the_counterpoise"],
        )


def place_probes(stops: pd.DataFrame, clearances: Clearances) -> pd.DataFrame:
    """Positions of both probes at each tower, one row per layout, main ones first.

    Takes one row per tower: tower_id, latitude_deg, longitude_deg, bearing_deg, deviation_deg, structure, leg_count,
    leg_spacing_m, ring, wires, wires_m. Gives tower_id, lay (name of the layout), alternative (bool), bearing_deg (of
    both probes, true north), off_line_deg (to the nearer span), current_m and potential_m from the tower's centre,
    latitude and longitude of both probes, extent_m (largest known extent of the earthing). No row for a tower where the
    line has no direction. Left and right are as seen towards the last station.

    The distance of the current probe is the largest of: the clearance from the line, measured along the lead; 5 times
    the largest extent of the footing; twice that extent including known buried wires. It is rounded outward to 5 m. The
    potential probe is placed in the same direction at 61.8 % of that distance, to the nearest metre: the position that
    reads correctly for a hemisphere in uniform soil. Alternatives closer to a span than the required angle are omitted;
    with buried wires, or where they are not ruled out, that angle is 60°.

    Source: MIL-HDBK-419A, volume 1, equations 2-41 to 2-46 (61.8 %); IEEE Std 81 for five times the largest extent
    (from memory); distances on the WGS 84 ellipsoid: C. F. F. Karney, J. Geodesy 87 (2013) 43-55.
    """
    parts = [_one_way(stops, way, order, clearances) for order, way in enumerate(WAYS)]
    layouts = pd.concat(parts).dropna(subset=["bearing_deg"])
    least = np.where(maybe_wires(layouts), clearances.wires_angle_deg, clearances.angle_deg)
    kept = layouts.loc[~layouts["alternative"] | (layouts["off_line_deg"].round(6) >= least)]
    kept = kept.sort_values(["stop", "order"], kind="stable").reset_index(drop=True)
    return cast("pd.DataFrame", kept[COLUMNS])


def _one_way(stops, way, order, clearances):
    """One layout at every tower."""
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


def extent_m(stops: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Largest known extent of each tower's earthing [m], without and with wires: diagonal of the legs, known wires.

    Wires of known total length are modelled as ``probe_wire_arms`` equal arms outward from the legs.
    """
    spacing_m = stops["leg_spacing_m"].fillna(number("treatment_spacing_m")).to_numpy(float)
    single = (stops["structure"].eq("monopole") & stops["leg_count"].isna()) | stops["leg_count"].eq(1)
    legs_m = np.where(single, number("treatment_pole_width_m"), spacing_m * np.sqrt(2.0))
    arm_m = stops["wires_m"].fillna(0.0).to_numpy(float) / number("probe_wire_arms")
    return legs_m, legs_m + 2.0 * arm_m


def _current_m(off_line_deg, legs_m, whole_m, clearances):
    """Distance of the current probe, rounded outward; the angle to a span has a lower limit, so it stays finite."""
    slant = np.sin(np.radians(np.clip(off_line_deg, clearances.angle_deg, 90.0)))
    wired = np.where(whole_m > legs_m, number("probe_wire_extents") * whole_m, 0.0)
    needed = np.maximum(np.maximum(clearances.line_m / slant, clearances.extents * legs_m), wired)
    return STEP_M * np.ceil(np.round(needed, 1) / STEP_M)  # an excess of centimetres does not add a step


def _from(stops, bearing_deg, away_m):
    """Latitude and longitude at a direction and distance from the towers."""
    here = stops["longitude_deg"].to_numpy(float), stops["latitude_deg"].to_numpy(float)
    known = np.isfinite(bearing_deg)
    longitude, latitude, _ = ELLIPSOID.fwd(*here, np.where(known, bearing_deg, 0.0), away_m)
    return np.where(known, latitude, np.nan), np.where(known, longitude, np.nan)


def maybe_wires(stops: pd.DataFrame) -> np.ndarray:
    """Towers with a buried ring or wire, or where the register does not rule one out."""
    return ~no(cast("pd.Series", stops["ring"])).to_numpy(bool) | stops["wires"].ne("").to_numpy(bool)


def layout_doubts(
    layouts: pd.DataFrame, stops: pd.DataFrame, around: Around, clearances: Clearances
) -> list[str]:
    """Objections to each layout in sentences, "" without a known one."""
    leads = _leads(layouts, stops, around.crs)
    turns = layouts["tower_id"].map(stops.set_index("tower_id")["deviation_deg"].get)
    reasons = [
        [_turn(lay, turn) for lay, turn in zip(layouts.itertuples(), turns, strict=True)],
        _lines(layouts, leads, around.lines, clearances.line_m),
        _station_doubts(leads, around.stations),
    ]
    return [" ".join(filter(None, sentences)) for sentences in zip(*reasons, strict=True)]


def _leads(layouts, stops, crs):
    """Each layout as a straight line on the grid, from the tower to its current probe."""
    towers = stops.set_index("tower_id").loc[layouts["tower_id"], ["latitude_deg", "longitude_deg"]]
    starts = points_on_grid(
        towers["latitude_deg"].to_numpy(float), towers["longitude_deg"].to_numpy(float), crs
    )
    ends = points_on_grid(
        layouts["current_latitude_deg"].to_numpy(float), layouts["current_longitude_deg"].to_numpy(float), crs
    )
    pairs = [[*start.coords, *end.coords] for start, end in zip(starts, ends, strict=True)]
    return [
        shapely.LineString(pair if len(pair) == 2 else []) for pair in pairs
    ]  # empty for a position outside the grid


def _turn(lay, turn_deg):
    """Caution where the lead lies inside an angle of the line, between two inducing spans."""
    side = "right" if turn_deg > 0 else "left"
    if not (abs(turn_deg) >= number("probe_turn_steep_deg") and lay.lay.startswith(side)):
        return ""
    return (
        f"The line turns by {abs(turn_deg):.0f}° to the {side}: this lead runs inside the angle, at "
        f"{lay.off_line_deg:.0f}° to the nearer span. Use the outside if possible."
    )


def _lines(layouts, leads, lines, near_m):
    """Nearest line or drawn object of each name within the clearance, spans at the tower itself excluded."""
    tree = shapely.STRtree(lines.geometry.to_numpy())
    sentences = []
    for tower_id, lead in zip(layouts["tower_id"], leads, strict=True):
        found = tree.query(lead, predicate="dwithin", distance=near_m)
        others = lines.iloc[[row for row in found if tower_id not in lines["tower_ids"].iloc[row]]]
        nearest = others.distance(lead).groupby(others["name"]).min()
        sentences.append(" ".join(_near(name, away_m) for name, away_m in nearest.items()))
    return sentences


def _near(name, away_m):
    """One object near a lead, in words."""
    name = "Another span of this line" if name == "this line" else name
    where = "crosses this lead" if away_m < 0.5 else f"lies {away_m:.0f} m from this lead"
    return f"{name} {where}: its earthing and induction affect the reading."


def _station_doubts(leads, stations):
    """Stations whose earth grid may reach the probes."""
    near_m = number("probe_station_near_m")
    sentences = []
    for lead in leads:
        away = stations.distance(lead)
        near = [
            f"Station {name} is {away_m:.0f} m from this lead: its earth grid and cables may extend to here."
            for name, away_m in zip(stations["name"], away, strict=True)
            if away_m < near_m
        ]
        sentences.append(" ".join(dict.fromkeys(near)))
    return sentences


def stop_doubts(stops: pd.DataFrame, clearances: Clearances) -> list[str]:
    """Objections to all layouts at a tower, with advice."""
    return [
        " ".join(filter(None, sentences))
        for sentences in zip(
            _no_direction(stops),
            _wires(stops),
            _size(stops, clearances.extents),
            _layers(stops),
            stops["place_remark"],
            strict=True,
        )
    ]


def _no_direction(stops):
    """Towers without a known direction across the line."""
    none = "The line has no recorded direction here, so no positions can be computed. Lay the leads across the line as seen."
    return np.where(stops["bearing_deg"].isna(), none, "")


def _wires(stops):
    """Buried wires, known or not ruled out."""
    two = (
        "Keep every lead off buried wires: above one the reading is too low, down to a fifth. Where their route is "
        "not known, read in two directions 60° apart, such as both alternatives of a side. They must agree "
        "within 10 %."
    )
    sentences = []
    for tower, maybe, ring in zip(stops.itertuples(), maybe_wires(stops), yes(stops["ring"]), strict=True):
        if tower.wires:
            length = "of unknown length" if np.isnan(tower.wires_m) else _arms(tower.wires_m)
            sentences.append(f"Buried here by the records of works: {tower.wires}, {length}. {two}")
        elif ring:
            sentences.append(f"A ring or counterpoise joins the legs, and its route is not recorded. {two}")
        else:
            sentences.append(
                f"Whether a ring or counterpoise is buried here is not recorded: ask. {two}" if maybe else ""
            )
    return sentences


def _arms(wires_m):
    """Total length of wire, and the assumed arms, in words."""
    arms = number("probe_wire_arms")
    return f"{wires_m:g} m, taken as {arms:.0f} arms of {wires_m / arms:.0f} m (see the as-built sketch)"


def _size(stops, times):
    """Remarks on an assumed leg spacing, on guys, and on distances of twice instead of five times the extent."""
    legs_m, whole_m = extent_m(stops)
    assumed = (stops["leg_spacing_m"].isna() & (legs_m > number("treatment_pole_width_m"))).to_numpy()
    unknown = (
        f"The leg spacing is not recorded. Measure the diagonal between the legs, record it, and place the current "
        f"probe at least {times:g} times that far out."
    )
    guyed = (
        "Guys are earth electrodes too: measure to the farthest anchor, and keep the leads away from them."
    )
    return [
        " ".join(filter(None, parts))
        for parts in zip(
            np.where(assumed, unknown, ""),
            np.where(stops["structure"].eq("guyed"), guyed, ""),
            [
                f"With these wires the earthing is some {whole:.0f} m across. {times * whole:.0f} m to the current "
                f"probe would be better, if there is space."
                if whole > legs
                else ""
                for legs, whole in zip(legs_m, whole_m, strict=True)
            ],
            strict=True,
        )
    ]


def _layers(stops):
    """Caution where the lower soil layer conducts much less, so that 61.8 % reads low."""
    ratio = stops["lower_layer_ohm_m"] / stops["upper_layer_ohm_m"]
    low = (
        "The lower soil layer conducts poorly: 61.8 % may read up to some 9 % low. Also read at 52, 62 and 72 %, "
        "record all three in the note, and go farther out if they rise by more than 5 %."
    )
    return np.where(ratio.fillna(0.0) >= number("probe_layer_ratio"), low, "")


def neighbours(study: Study, context: Iterable[gpd.GeoDataFrame] = ()) -> Around:
    """Lines, stations and layers around a line.

    Other line folders beside its own are read for their route; layers are named in ``attrs["name"]``.
    """
    own = study.route
    ends = zip(own.spans["from_tower_id"], own.spans["to_tower_id"], strict=True)
    rows = [("this line", geometry, pair) for geometry, pair in zip(own.spans.geometry, ends, strict=True)]
    stations, remarks = _stations(study.line), _unknown_stations(study.line)
    for folder in _beside(study.records.folder):
        try:
            records = load(folder)
            spans = route.build(records.towers, records.line).spans.to_crs(own.crs)
        except TowerlibError as flaw:
            remarks.append(
                f"The line folder {folder.name} could not be read, so its route is not known: {flaw}"
            )
        else:
            rows += [(records.line.title, geometry, ()) for geometry in spans.geometry]
            stations += _stations(records.line)
    for layer in context:
        name = f"layer {layer.attrs.get('name', '')}"
        rows += [
            (name, geometry, ()) for geometry in ([] if layer.crs is None else layer.to_crs(own.crs).geometry)
        ]
    remarks.append(
        "Other lines, stations, fences, pipes, cables and buried metal are known here only as far as the line "
        "folders and drawn layers contain them. Look round before laying a lead."
    )
    return Around(_table(rows, own.crs), _places(stations, own.crs), own.crs, remarks)


def _stations(line):
    """Name and position of the stations whose position is known."""
    both = (line.stations.first, line.stations.last)
    return [
        (station.name, station.latitude_deg, station.longitude_deg)
        for station in both
        if station.latitude_deg is not None and station.longitude_deg is not None
    ]


def _unknown_stations(line):
    """A remark on each station without position."""
    both = (("first", line.stations.first), ("last", line.stations.last))
    return [
        f"The position of the {end} station{f' ({station.name})' if station.name else ''} is not known. Keep clear "
        f"of its earth grid at that end of the line."
        for end, station in both
        if station.latitude_deg is None or station.longitude_deg is None
    ]


def _beside(folder):
    """Line folders beside that of the line."""
    folder = folder.resolve()
    entries = sorted(folder.parent.iterdir())
    return [entry for entry in entries if entry != folder and (entry / "line.toml").is_file()]


def _table(rows, crs):
    """Non-empty geometries with their names."""
    seen = [row for row in rows if row[1] is not None and not shapely.is_empty(row[1])]
    columns = {"name": [row[0] for row in seen], "tower_ids": [row[2] for row in seen]}
    return gpd.GeoDataFrame(columns, geometry=[row[1] for row in seen], crs=crs)


def _places(stations, crs):
    """Stations as points, each position once."""
    known = pd.DataFrame(stations, columns=["name", "latitude_deg", "longitude_deg"]).drop_duplicates()
    points = points_on_grid(
        known["latitude_deg"].to_numpy(float), known["longitude_deg"].to_numpy(float), crs
    )
    return gpd.GeoDataFrame({"name": known["name"].to_list()}, geometry=list(points), crs=crs)

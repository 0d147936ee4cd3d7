"""What makes a lay of probes, or all lays at a tower, doubtful."""

import numpy as np
import shapely

from towerlib.fieldwork.lays import extent_m, maybe_wires
from towerlib.readings.answers import yes
from towerlib.route.drawing import points_on_grid
from towerlib.values import number


def of_lays(lays, stops, around, clearances):
    """What speaks against each lay.

    Parameters
    ----------
    lays : DataFrame
        As `towerlib.fieldwork.lays.lay_probes` gives them.
    stops : DataFrame
        One row a tower: tower_id, latitude_deg, longitude_deg, deviation_deg.
    around : Around
        As `towerlib.fieldwork.around.neighbours` gives it.
    clearances : Clearances

    Returns
    -------
    list of str
        Sentences, "" where nothing is known against the lay.
    """
    leads = _leads(lays, stops, around.crs)
    turns = lays["tower_id"].map(stops.set_index("tower_id")["deviation_deg"])
    reasons = [
        [_turn(lay, turn) for lay, turn in zip(lays.itertuples(), turns, strict=True)],
        _lines(lays, leads, around.lines, clearances.line_m),
        _stations(leads, around.stations),
    ]
    return [" ".join(filter(None, told)) for told in zip(*reasons, strict=True)]


def of_stops(stops, clearances):
    """What speaks against every lay at a tower, and how to meet it.

    Parameters
    ----------
    stops : DataFrame
        As `towerlib.fieldwork.stops.stops` gives them.
    clearances : Clearances

    Returns
    -------
    list of str
    """
    return [
        " ".join(filter(None, told))
        for told in zip(
            _no_direction(stops),
            _wires(stops),
            _size(stops, clearances.extents),
            _layers(stops),
            stops["place_remark"],
            strict=True,
        )
    ]


def _leads(lays, stops, crs):
    """Each lay as a straight on the grid, from the tower to its current probe."""
    towers = stops.set_index("tower_id").loc[lays["tower_id"], ["latitude_deg", "longitude_deg"]]
    starts = points_on_grid(*towers.to_numpy(float).T, crs)
    ends = lays[["current_latitude_deg", "current_longitude_deg"]].to_numpy(float)
    ends = points_on_grid(*ends.T, crs)
    pairs = [[*start.coords, *end.coords] for start, end in zip(starts, ends, strict=True)]
    return [shapely.LineString(pair if len(pair) == 2 else []) for pair in pairs]  # no place: beyond the grid


def _turn(lay, turn_deg):
    """The inside of an angle lies between two spans, where both induce."""
    side = "right" if turn_deg > 0 else "left"
    if not (abs(turn_deg) >= number("probe_turn_steep_deg") and lay.lay.startswith(side)):
        return ""
    return (
        f"The line turns by {abs(turn_deg):.0f}° to the {side}: this lead runs inside the angle, at "
        f"{lay.off_line_deg:.0f}° to the nearer span. Take the outside if you can."
    )


def _lines(lays, leads, lines, near_m):
    """The nearest line or drawn thing of each name within the clearance, spans at the tower itself left out."""
    tree = shapely.STRtree(lines.geometry.to_numpy())
    told = []
    for tower_id, lead in zip(lays["tower_id"], leads, strict=True):
        found = tree.query(lead, predicate="dwithin", distance=near_m)
        others = lines.iloc[[row for row in found if tower_id not in lines["tower_ids"].iloc[row]]]
        nearest = others.distance(lead).groupby(others["name"]).min()
        told.append(" ".join(_near(name, away_m) for name, away_m in nearest.items()))
    return told


def _near(name, away_m):
    """One thing near a lead in words."""
    name = "Another span of this line" if name == "this line" else name
    where = "crosses this lead" if away_m < 0.5 else f"lies {away_m:.0f} m from this lead"
    return f"{name} {where}: its earthing and its induction reach here."


def _stations(leads, stations):
    """Stations whose earth grid may reach the probes."""
    near_m = number("probe_station_near_m")
    told = []
    for lead in leads:
        away = stations.distance(lead)
        near = [
            f"Station {name} is {away_m:.0f} m from this lead: its earth grid and cables may reach here."
            for name, away_m in zip(stations["name"], away, strict=True)
            if away_m < near_m
        ]
        told.append(" ".join(dict.fromkeys(near)))
    return told


def _no_direction(stops):
    """Towers at which no direction across the line can be told."""
    none = "The line has no direction here, so no place can be worked out: lay the leads across what you see of it."
    return np.where(stops["bearing_deg"].isna(), none, "")


def _wires(stops):
    """Buried wires, known or not ruled out."""
    two = (
        "Keep every lead off buried wires: above one the reading is too low, down to a fifth. Where their lay is "
        "not known, read in two directions 60° apart, such as both alternatives of a side; they have to agree "
        "within 10 %."
    )
    told = []
    for tower, maybe, ring in zip(stops.itertuples(), maybe_wires(stops), yes(stops["ring"]), strict=True):
        if tower.wires:
            length = "of unknown length" if np.isnan(tower.wires_m) else _arms(tower.wires_m)
            told.append(f"Buried here by the records of works: {tower.wires}, {length}. {two}")
        elif ring:
            told.append(f"A ring or counterpoise joins the legs, and its lay is not recorded. {two}")
        else:
            told.append(
                f"Whether a ring or counterpoise lies here is not recorded: ask. {two}" if maybe else ""
            )
    return told


def _arms(wires_m):
    """A whole length of wire in words, and how it was taken."""
    arms = number("probe_wire_arms")
    return f"{wires_m:g} m, taken as {arms:.0f} arms of {wires_m / arms:.0f} m (look at the as-built sketch)"


def _size(stops, times):
    """Distances that rest on an assumed leg spacing, or on twice instead of five times the extent."""
    legs_m, whole_m = extent_m(stops)
    assumed = (stops["leg_spacing_m"].isna() & (legs_m > number("treatment_pole_width_m"))).to_numpy()
    unknown = (
        f"The leg spacing is not recorded: measure the diagonal between the legs, write it down, and lay the current "
        f"probe at least {times:g} times that far out."
    )
    guyed = "Guys are earths too: measure to the farthest anchor, and keep the leads away from them."
    return [
        " ".join(filter(None, parts))
        for parts in zip(
            np.where(assumed, unknown, ""),
            np.where(stops["structure"].eq("guyed"), guyed, ""),
            [
                f"With these wires the earthing is some {whole:.0f} m across; {times * whole:.0f} m to the current "
                f"probe would be better still, where there is room."
                if whole > legs
                else ""
                for legs, whole in zip(legs_m, whole_m, strict=True)
            ],
            strict=True,
        )
    ]


def _layers(stops):
    """Soil over a much poorer conductor, where 61.8 % reads low."""
    ratio = stops["lower_layer_ohm_m"] / stops["upper_layer_ohm_m"]
    low = (
        "Poorly conducting ground lies below: 61.8 % may read up to some 9 % low. Read at 52, 62 and 72 % as well, "
        "write all three into the note, and go farther out where they rise by more than 5 %."
    )
    return np.where(ratio.fillna(0.0) >= number("probe_layer_ratio"), low, "")

"""What the place where a crew stood says about the tower that it named."""

import numpy as np
import pandas as pd

from towerlib.values import number

ASK = "Which tower was it?"
ANSWER = ["tower_id", "certainty", "reason", "candidates"]


def witnessed(found, readings, positions, places):
    """The matches after the crew's positions were heard; rows without a position stay as they are."""
    columns = ["latitude_deg", "longitude_deg"]
    places = places[columns].astype("float64").dropna()
    stood = positions[columns].astype("float64").reset_index(drop=True)
    stood = stood[stood["latitude_deg"].abs().le(90) & stood["longitude_deg"].abs().le(180)]
    if places.empty or stood.empty:
        return found
    seen = found.join(_nearest(stood, places), how="inner")
    seen = seen.join(_measured(seen[["code", "tower_id"]], readings, stood, places))
    seen = seen[_adds(seen)]
    heard = pd.DataFrame([_heard(row) for row in seen.itertuples()], seen.index, ANSWER, dtype="str")
    return pd.concat([found.drop(index=heard.index), heard]).sort_index()


def _nearest(stood, places):
    """The register tower nearest to each position: nearest_id, nearest_m, and second_m to the next one."""
    from scipy.spatial import KDTree  # here, for it is only needed where positions are given

    def on_sphere(points):
        latitude, longitude = np.radians(points.to_numpy().T)
        around = np.cos(latitude)
        return np.column_stack([around * np.cos(longitude), around * np.sin(longitude), np.sin(latitude)])

    chords, which = KDTree(on_sphere(places)).query(on_sphere(stood), k=[1, 2])
    metres = 2 * number("earth_mean_radius_m") * np.arcsin(np.minimum(chords / 2, 1))
    second_m = np.where(np.isinf(chords[:, 1]), np.inf, metres[:, 1])  # a register of one tower has no second
    ids = places.index.to_numpy()[which[:, 0]]
    return pd.DataFrame(
        {"nearest_id": ids, "nearest_m": metres[:, 0], "second_m": second_m}, index=stood.index
    )


def _measured(matched, readings, stood, places):
    """How far the towers of a name are from the crew: own_m, other_m, and the one tower that this leaves."""
    near_by_code = pd.DataFrame(
        [(code, tower, tower in each.fits) for code, each in enumerate(readings) for tower in each.near],
        columns=["code", "near_id", "fits"],
    )
    pairs = matched.rename_axis("row").reset_index().merge(near_by_code, on="code", validate="many_to_many")
    here, there = stood.loc[pairs["row"]].to_numpy().T, places.reindex(pairs["near_id"]).to_numpy().T
    metres = great_circle_m(*here, *there)
    is_own = pairs["tower_id"] == pairs["near_id"]
    pairs = pairs.assign(
        own_m=np.where(is_own, metres, np.nan),
        other_m=np.where(is_own, np.nan, metres),
        at=pairs["fits"] & (metres <= number("identity_near_m")),
        open=~(metres > number("identity_clear_m")),  # a tower without a position stays open
    )
    by_row = pairs.groupby("row").agg({"own_m": "min", "other_m": "min", "at": "sum", "open": "sum"})
    decided = by_row.index[(by_row["at"] == 1) & (by_row["open"] == 1)]
    left = pairs.assign(own_m=metres)[pairs["at"] & pairs["row"].isin(decided)].set_index("row")
    return by_row[["own_m", "other_m"]].assign(left=left["near_id"]).fillna({"own_m": left["own_m"]})


def _adds(seen):
    """Where a position adds something: names short of sure, and sure ones whose tower is elsewhere."""
    own, other, nearest = seen["own_m"], seen["other_m"], seen["nearest_m"]
    near, clear, away = number("identity_near_m"), number("identity_clear_m"), number("identity_away_m")
    is_elsewhere = (own > away) | ((own > clear) & (nearest <= near)) | ((own > near) & (other < own))
    return (seen["certainty"] != "sure") | is_elsewhere


def _heard(row):
    """One match with its position: tower, certainty, reason, candidates."""
    if pd.isna(row.tower_id):
        return _heard_question(row)
    if pd.isna(row.own_m):
        return row.tower_id, row.certainty, row.reason, row.candidates
    note = f"{_who(row)} {_length(row.own_m)} from it"
    if row.nearest_id != row.tower_id:
        note += f"; the nearest tower is {row.nearest_id}, {_length(row.nearest_m)} away"
    elif row.own_m < row.second_m / 2 < np.inf:
        note += f"; the next tower is {_length(row.second_m)} away"
    if row.certainty == "probable" and _is_at_another(row):
        reason = f'"{row.written}" could be tower {row.tower_id}, but {note}. {ASK}'
        return None, "none", reason, f"{row.candidates}; {row.nearest_id}"
    return row.tower_id, row.certainty, f"{row.reason} {_sentence(note)}.".lstrip(), row.candidates


def _is_at_another(row):
    """Whether the crew stood so clearly at another tower that a name short of sure becomes a question."""
    near, clear, away = number("identity_near_m"), number("identity_clear_m"), number("identity_away_m")
    return (row.own_m > clear and row.nearest_m <= near) or row.own_m > away >= row.nearest_m


def _heard_question(row):
    """A question with its position: settled where that leaves one candidate, else with the nearest tower."""
    if not pd.isna(row.left):
        reason = (
            f'"{row.written}" could mean {row.candidates.replace("; ", ", ")}. It is taken as {row.left}: '
            f"the crew stood {_length(row.own_m)} from that tower and not near the others."
        )
        return row.left, "probable", reason, row.candidates
    where = _sentence(f"{_who(row)} {_length(row.nearest_m)} from tower {row.nearest_id}")
    if row.nearest_m > number("identity_away_m"):
        return None, "none", f"{row.reason} {where}, the nearest.", row.candidates
    known = row.candidates.split("; ") if row.candidates else []
    candidates = "; ".join(dict.fromkeys([*known, row.nearest_id]))
    return None, "none", f"{row.reason} {where}; a position alone does not name a tower.", candidates


def _who(row):
    """The crew, or only the position on record where that is far from every tower."""
    return "the crew stood" if row.nearest_m <= number("identity_away_m") else "the recorded position is"


def _sentence(clause):
    """A clause with a capital letter."""
    return clause[0].upper() + clause[1:]


def _length(metres):
    """A distance for a sentence, in kilometres past ten of them."""
    return f"{metres:,.0f} m" if metres < 10_000 else f"{metres / 1000:,.0f} km"


def great_circle_m(latitude_deg, longitude_deg, to_latitude_deg, to_longitude_deg):
    """Distance between positions along the surface of a sphere.

    Parameters
    ----------
    latitude_deg, longitude_deg, to_latitude_deg, to_longitude_deg : float or array
        Positions [°, WGS 84].

    Returns
    -------
    float or array
        Distance [m], within 0.6 % of the geodesic on the ellipsoid.

    Notes
    -----
    Haversine: d = 2 R asin √(sin²(Δφ/2) + cos φ₁ cos φ₂ sin²(Δλ/2)), R the mean radius of the ellipsoid.

    Examples
    --------
    >>> print(f"{great_circle_m(0.0, 0.0, 0.0, 1.0):.0f}")  # a degree of a circle of 6371.009 km
    111195
    """
    south, west, north, east = map(
        np.radians, (latitude_deg, longitude_deg, to_latitude_deg, to_longitude_deg)
    )
    half = np.sin((north - south) / 2) ** 2 + np.cos(south) * np.cos(north) * np.sin((east - west) / 2) ** 2
    return 2 * number("earth_mean_radius_m") * np.arcsin(np.sqrt(np.minimum(half, 1)))

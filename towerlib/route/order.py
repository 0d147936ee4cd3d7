"""Which tower follows which: by sequence number, else the shortest path from the first station."""

import re

import numpy as np

from towerlib.route.ground import cartesian


def put_in_order(register, line):
    """Rows of the register in route order, and what to say about how it was found."""
    sequence = register["sequence"].to_numpy()
    given = np.flatnonzero(~np.isnan(sequence))
    given = given[np.argsort(sequence[given])]
    if given.size == len(register):
        return given, []
    if len(register) == 1:
        return np.array([0]), []
    xyz = cartesian(register["latitude_deg"], register["longitude_deg"])
    if given.size > 1:
        blank = register.loc[np.isnan(sequence), "tower_id"]
        remark = (
            f"The sequence number is blank for {blank.size} of {len(register)} towers ({listed(blank)}):"
            " each was put where it adds the least length. Check them against the tower schedule."
        )
        return _shortest_path(xyz, given), [remark]
    blank = "all but one" if given.size else "all"
    remark = (
        f"The order of the {len(register)} towers was found from their positions (the shortest path through"
        f" all of them): the sequence number is blank for {blank}. Check it against the tower schedule."
    )
    path, direction = _directed(_shortest_path(xyz, given[:0]), register, line)
    return path, [remark, direction]


def _directed(path, register, line):
    """Path turned to start at the first station, and a sentence on how that was decided."""
    misfit = station_misfit_m(register.iloc[path], line)
    if misfit is None:
        first, last = register["tower_id"].iloc[path[[0, -1]]]
        path = path if natural(first) < natural(last) else path[::-1]
        why = (
            "the end whose name comes first. Give the position of a station in line.toml, or sequence"
            " numbers, to be sure of the direction."
        )
    else:
        path = path if misfit <= 0 else path[::-1]
        why = "the end that fits the station positions in line.toml."
    return path, f"The route starts at tower {register['tower_id'].iloc[path[0]]}, {why}"


def known_stations(line):
    """Stations whose position is known: (0 for first or -1 for last, name, xyz)."""
    found = []
    for end, which in ((0, "first"), (-1, "last")):
        station = getattr(line.stations, which, None)
        latitude, longitude = (getattr(station, f"{axis}_deg", None) for axis in ("latitude", "longitude"))
        if latitude is not None and longitude is not None:
            name = getattr(station, "name", None) or f"the {which} station"
            found.append((end, name, cartesian(latitude, longitude)))
    return found


def station_misfit_m(laid, line):
    """How much nearer to the stations the ends were the other way round; None without station positions."""
    ends = cartesian(laid["latitude_deg"].iloc[[0, -1]], laid["longitude_deg"].iloc[[0, -1]])
    gaps = [np.linalg.norm(ends[[end, -1 - end]] - xyz, axis=1) for end, _, xyz in known_stations(line)]
    return sum(own - other for own, other in gaps) if gaps else None


def natural(name):
    """Sort key: T2 before T10; text of equal rank, such as 12 and 012, by its characters."""
    return [int(part) if part.isdecimal() else part.casefold() for part in re.split(r"(\d+)", name)], name


def listed(names, most=8):
    """Names for a sentence, a long list cut short."""
    names = list(names)
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _shortest_path(xyz, given):
    """Short open path through all points that keeps the order of the `given` ones.

    Straight distances serve to compare: unlike degrees they know no antimeridian and no pole. One more point,
    at no distance from all others, closes the path to a tour, so that its ends need no rules of their own.
    """
    from scipy.spatial.distance import cdist

    count = len(xyz)
    distance = np.zeros((count + 1, count + 1))
    distance[:count, :count] = cdist(xyz, xyz)
    path = given if given.size else _backbone(distance[:count, :count])
    if path.size == count:  # a spanning tree without branches: no path can be shorter
        return path
    kept = np.isin(np.arange(count + 1), given)
    tour = _with_the_rest(np.concatenate([[count], path, [count]]), distance)
    better = True
    while better:
        tour, reversed_some = _with_stretches_reversed(tour, distance, kept)
        tour, moved_some = _with_stretches_moved(tour, distance, kept)
        better = reversed_some or moved_some
    return tour[1:-1]


def _backbone(distance):
    """Longest path in the minimum spanning tree: most of a line in its order."""
    from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree

    # One metre more on each edge changes no tree, and keeps towers at one place from counting as not joined.
    tree = minimum_spanning_tree(distance + 1.0)
    start = np.argmax(dijkstra(tree, directed=False, indices=0))
    reach, came_from = dijkstra(tree, directed=False, indices=start, return_predecessors=True)
    path = [np.argmax(reach)]
    while path[-1] != start:
        path.append(came_from[path[-1]])
    return np.array(path)


def _with_the_rest(tour, distance):
    """Tour with every missing point put in where it adds the least length, the nearest point first."""
    away = distance[tour[1:-1]].min(axis=0)
    away[tour] = np.inf
    while np.isfinite(away).any():
        point = np.argmin(away)
        one, next_one = tour[:-1], tour[1:]
        added = distance[one, point] + distance[point, next_one] - distance[one, next_one]
        tour = np.insert(tour, np.argmin(added) + 1, point)
        away = np.minimum(away, distance[point])
        away[tour] = np.inf
    return tour


def _with_stretches_reversed(tour, distance, kept):
    """Tour after reversing every stretch that shortens it, and whether there was one.

    A stretch with two points of given order is left alone.
    """
    tour, improved = tour.copy(), False
    for start in range(1, len(tour) - 2):
        before, first, last, after = tour[start - 1], tour[start], tour[start + 1 : -1], tour[start + 2 :]
        saved = (
            distance[before, first] + distance[last, after] - distance[before, last] - distance[first, after]
        )
        saved[np.cumsum(kept[tour[start:-1]])[1:] > 1] = 0.0
        best = np.argmax(saved)
        if saved[best] > 1e-6:
            tour[start : start + best + 2] = tour[start : start + best + 2][::-1].copy()
            improved = True
    return tour, improved


def _with_stretches_moved(tour, distance, kept, longest=3):
    """Tour after moving every short stretch that fits better elsewhere, and whether there was one."""
    improved = False
    for size in range(1, longest + 1):
        for start in range(1, len(tour) - size):
            stretch = tour[start : start + size]
            before, after = tour[start - 1], tour[start + size]
            saved = distance[before, stretch[0]] + distance[stretch[-1], after] - distance[before, after]
            if saved < 1e-6 or kept[stretch].any():
                continue
            rest = np.concatenate([tour[:start], tour[start + size :]])
            one, next_one = rest[:-1], rest[1:]
            ways = (stretch, stretch[::-1])
            added = [
                distance[one, way[0]] + distance[way[-1], next_one] - distance[one, next_one] for way in ways
            ]
            way, place = np.unravel_index(np.argmin(added), np.shape(added))
            if added[way][place] < saved - 1e-6:
                tour = np.concatenate([rest[: place + 1], ways[way], rest[place + 1 :]])
                improved = True
    return tour, improved

"""Which towers go on a field sheet: a list that the assessment made, names, or a stretch of the line."""

import difflib
import math

from towerlib.errors import SettingsError

QUEUES = ("safety", "repair", "bond", "footing")  # a queue of the priority list may be asked for by its name
SAID = {
    "retest": "Towers on the retest list",
    "priority": "Towers of the priority list with something to do",
    "plan": "Towers that the plan treats",
    "all": "All towers",
} | {queue: f"Towers in the {queue} queue of the priority list" for queue in QUEUES}


def choose(study, towers="", *, from_km=None, to_km=None):
    """Towers in route order, and in words which they are.

    Parameters
    ----------
    study : Assessment
    towers : str
        ``retest``, ``priority``, ``plan``, ``all``, a queue of the priority list, or tower names parted by commas. Blank
        takes the retest list, or all towers where a stretch is given.
    from_km, to_km : float, optional
        Stretch of chainage [km], both ends included.

    Returns
    -------
    (list of str, str)

    Raises
    ------
    SettingsError
        An unknown tower, no tower at all, or a stretch that ends before it starts.
    """
    check_stretch(from_km, to_km)
    stretch = from_km is not None or to_km is not None
    towers = towers.strip() or ("all" if stretch else "retest")
    wanted, said = _wanted(study, towers)
    laid = study.route.towers
    at_km = laid["chainage_m"] / 1000
    inside = at_km.ge(-math.inf if from_km is None else from_km)
    inside &= at_km.le(math.inf if to_km is None else to_km)
    found = laid.loc[inside & laid["tower_id"].isin(wanted), "tower_id"].to_list()
    if stretch:
        said += _stretch(from_km, to_km)
    if not found:
        ends = f"the line runs from km 0 to km {at_km.iloc[-1]:.3f}" if stretch else "there is none"
        raise SettingsError(f"no tower for the field sheet ({said[0].lower()}{said[1:]}): {ends}")
    return found, said + "."


def check_stretch(from_km, to_km):
    """Refuse a stretch whose ends are no numbers or not in order.

    Parameters
    ----------
    from_km, to_km : float or None
        Chainage [km].

    Raises
    ------
    SettingsError
    """
    for name, value in (("--from-km", from_km), ("--to-km", to_km)):
        if value is not None and not math.isfinite(value):
            raise SettingsError(f"{name} {value} is no chainage in km")
    if from_km is not None and to_km is not None and from_km > to_km:
        raise SettingsError(
            f"--from-km {from_km:g} lies beyond --to-km {to_km:g}; give the smaller one first"
        )


def _wanted(study, towers):
    """Names asked for, and in words which they are; a name of the register goes before a list of names."""
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
        raise SettingsError(f"{unknown[0]!r} is no tower of {study.line.id}{_near(unknown[0], known)}")
    return set(names), "Towers named for this sheet"


def _near(name, known):
    """The names that were probably meant, else what may stand there."""
    near = difflib.get_close_matches(name, [*sorted(known), *SAID], n=2)
    return f"; did you mean {' or '.join(map(repr, near))}?" if near else f"; or say {', '.join(SAID)}"


def _stretch(from_km, to_km):
    """A stretch in words."""
    start = "" if from_km is None else f" from km {from_km:g}"
    return start + ("" if to_km is None else f" to km {to_km:g}")

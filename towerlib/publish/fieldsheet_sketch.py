"""A sketch of each tower from above: the line, the probes, north up; plain numbers for the page's SVG."""

import numpy as np

REACH = 40.0  # of the farthest probe from the middle, in units of the drawing


def sketch(stop, lays):
    """What the page draws of a tower's surroundings.

    Parameters
    ----------
    stop : dict
        One row of `towerlib.fieldwork.stops.stops`.
    lays : list of dict
        Its rows of `towerlib.fieldwork.lays.lay_probes`.

    Returns
    -------
    dict or None
        ``spans``: ends (x, y) of the line, back and ahead; ``leads``: label, alternative, and the places of both
        probes and of the label. y points down as in SVG. None where nothing is laid out.
    """
    if not lays:
        return None
    scale = REACH / max(lay["current_m"] for lay in lays)
    half_turn = (stop["deviation_deg"] or 0.0) / 2.0
    spans = [stop["bearing_deg"] - half_turn + 180.0, stop["bearing_deg"] + half_turn]
    return {
        "spans": [_place(bearing, REACH * 1.12) for bearing in spans],
        "leads": [
            {
                "label": short(lay["lay"]),
                "alternative": lay["alternative"],
                "current": _place(lay["bearing_deg"], lay["current_m"] * scale),
                "potential": _place(lay["bearing_deg"], lay["potential_m"] * scale),
                "text": _place(lay["bearing_deg"], lay["current_m"] * scale + 6.0),
            }
            for lay in lays
        ],
    }


def short(lay):
    """A lay in two or three letters, as the page and the waypoints have it.

    Examples
    --------
    >>> short("left"), short("right, forward"), short("left, back")
    ('L', 'RF', 'LB')
    """
    return "".join(word[0] for word in lay.upper().split(", "))


def _place(bearing_deg, away):
    """Where a direction and distance from the middle lie in the drawing."""
    angle = np.radians(bearing_deg)
    return round(float(away * np.sin(angle)), 1), round(float(-away * np.cos(angle)), 1)

"""Typical geometry by voltage class, to stand in where a line's own is not recorded."""

import csv
from functools import cache
from importlib.resources import files

from towerlib.physics.lightning.geometry import PHASE_ANGLE_DEG, LineGeometry

ORDER = ("a", "b", "c")  # from the top, the same on both sides of the tower


@cache
def classes():
    """Rows of the shipped table of typical towers, one a voltage class.

    Returns
    -------
    tuple of dict
        Columns of ``typical.csv`` as text.

    Examples
    --------
    >>> [row["from_kv"] for row in classes()]
    ['38', '85', '121', '170', '300']
    """
    text = files("towerlib.physics.lightning").joinpath("typical.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def _class_of(voltage_kv):
    for row in classes():
        if float(row["from_kv"]) <= voltage_kv < float(row["below_kv"]):
            return row
    first, last = classes()[0]["from_kv"], classes()[-1]["below_kv"]
    raise ValueError(
        f"no typical tower for {voltage_kv:g} kV: the table goes from {first} to below {last} kV"
    )


def typical_geometry(voltage_kv):
    """Typical geometry of the class that holds a voltage; callers mark all that rests on it as assumed.

    Parameters
    ----------
    voltage_kv : float
        Voltage between phases [kV].

    Returns
    -------
    LineGeometry
        With the voltage asked for. Two circuits: phases 0 to 2 on one side from the top, 3 to 5 on the other.

    Raises
    ------
    ValueError
        Outside the classes (38 to 420 kV).

    References
    ----------
    ``typical.csv``: plausible dimensions of lattice towers, taken from no real line.

    Examples
    --------
    >>> typical_geometry(150.0).strike_length_m
    1.31
    """
    row = _class_of(voltage_kv)
    wires, phases = len(_numbers(row["wire_x_m"])), len(_numbers(row["phase_x_m"]))
    side = _numbers(row["phase_x_m"])
    return LineGeometry(
        height_m=float(row["height_m"]),
        surge_impedance_ohm=float(row["surge_impedance_ohm"]),
        wire_x_m=_numbers(row["wire_x_m"]),
        wire_y_m=(float(row["wire_y_m"]),) * wires,
        wire_sag_m=(float(row["wire_sag_m"]),) * wires,
        wire_radius_m=(float(row["wire_radius_m"]),) * wires,
        phase_x_m=side + tuple(-x for x in side),
        phase_y_m=2 * _numbers(row["phase_y_m"]),
        crossarm_y_m=2 * _numbers(row["crossarm_y_m"]),
        phase_sag_m=2 * phases * (float(row["phase_sag_m"]),),
        phase_angle_deg=2 * tuple(PHASE_ANGLE_DEG[phase] for phase in ORDER),
        strike_length_m=float(row["strike_length_m"]),
        voltage_kv=float(voltage_kv),
    )


def typical_span(voltage_kv):
    """Typical span of the class that holds a voltage [m]; assumed like the rest.

    Examples
    --------
    >>> typical_span(132.0)
    300.0
    """
    return float(_class_of(voltage_kv)["span_m"])


def _numbers(text):
    return tuple(float(word) for word in text.split())

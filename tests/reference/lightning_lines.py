"""Three lines of lattice towers for the lightning checks: struck towers, ionised footings, arresters."""

from dataclasses import replace

import numpy as np

from towerlib.physics.lightning.flashover import Struck, flashover_voltage, ionising_current
from towerlib.physics.lightning.surge import LineGeometry, surges, travel_time

ANGLES = (0.0, -120.0, 120.0)
SPAN_M = {132: 300.0, 220: 350.0, 400: 400.0}
LINES = {
    132: LineGeometry(
        height_m=30.0,
        surge_impedance_ohm=190.0,
        wire_x_m=(0.0,),
        wire_y_m=(30.0,),
        wire_sag_m=(5.0,),
        wire_radius_m=(0.005,),
        phase_x_m=(3.2, 3.6, 3.4, -3.2, -3.6, -3.4),
        phase_y_m=2 * (24.6, 20.9, 17.2),
        crossarm_y_m=2 * (26.1, 22.4, 18.7),
        phase_sag_m=6 * (7.0,),
        phase_angle_deg=2 * ANGLES,
        strike_length_m=1.31,
        voltage_kv=132.0,
    ),
    220: LineGeometry(
        height_m=40.0,
        surge_impedance_ohm=180.0,
        wire_x_m=(0.0,),
        wire_y_m=(40.0,),
        wire_sag_m=(7.0,),
        wire_radius_m=(0.006,),
        phase_x_m=(4.5, 4.9, 4.7, -4.5, -4.9, -4.7),
        phase_y_m=2 * (31.8, 26.0, 20.3),
        crossarm_y_m=2 * (34.0, 28.2, 22.5),
        phase_sag_m=6 * (9.0,),
        phase_angle_deg=2 * ANGLES,
        strike_length_m=2.04,
        voltage_kv=220.0,
    ),
    400: LineGeometry(
        height_m=50.0,
        surge_impedance_ohm=160.0,
        wire_x_m=(-7.0, 7.0),
        wire_y_m=(50.0, 50.0),
        wire_sag_m=(9.0, 9.0),
        wire_radius_m=(0.007, 0.007),
        phase_x_m=(6.5, 9.5, 7.5, -6.5, -9.5, -7.5),
        phase_y_m=2 * (38.0, 29.0, 20.5),
        crossarm_y_m=2 * (41.7, 32.7, 24.2),
        phase_sag_m=6 * (12.0,),
        phase_angle_deg=2 * ANGLES,
        strike_length_m=3.20,
        voltage_kv=400.0,
    ),
}


def struck(voltage, footing_ohm, soil_ohm_m=None, corona_kv=None):
    """Towers (n, 1) of a line, struck, against its phases (n, 6); soil 20 m times the footing unless given."""
    line = LINES[voltage]
    met = surges(line, corona_kv=corona_kv)
    footing_ohm = np.atleast_1d(np.asarray(footing_ohm, float))[:, None]
    return Struck(
        footing_ohm=footing_ohm,
        ionising_ka=ionising_current(footing_ohm, 20.0 * footing_ohm if soil_ohm_m is None else soil_ohm_m),
        wire_ohm=met.wire_ohm,
        coupling=met.coupling,
        tower_ohm=line.surge_impedance_ohm,
        top_us=travel_time(line.height_m, 0.85),
        crossarm_us=travel_time(line.crossarm_y_m, 0.85),
        span_us=travel_time(SPAN_M[voltage]),
        strength_kv=flashover_voltage(line.strike_length_m),
    )


def ionised_footing(footing_ohm, ionising_ka, footing_ka):
    """Resistance [Ω] of a concentrated footing at a current through it [kA]: R0/√(1 + I/Ig).

    References
    ----------
    CIGRE Technical Brochure 63 (1991), sec. 6; IEC 60071-2:1996, annex F; from memory.

    Examples
    --------
    >>> print(ionised_footing(20.0, ionising_current(20.0, 400.0), 50.0))
    14.97
    """
    return footing_ohm / np.sqrt(1.0 + np.asarray(footing_ka, float) / ionising_ka)


def with_arresters(geometry, held):
    """Line with arresters on some of its phases, which then lie at the potential of a struck tower.

    Examples
    --------
    >>> with_arresters(LINES[132], [2, 5]).free
    (0, 1, 3, 4)
    """
    return replace(geometry, held=tuple(sorted({*geometry.held, *held})))

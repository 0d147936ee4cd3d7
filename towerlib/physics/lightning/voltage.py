"""Power-frequency voltage of the phases at the moment of a stroke."""

import numpy as np

from towerlib.values import number


def crest_voltage(voltage_kv):
    """Crest of the voltage from phase to earth [kV], from the effective voltage between phases [kV].

    Examples
    --------
    >>> print(crest_voltage(132.0))
    107.78
    """
    return np.asarray(voltage_kv, float) * np.sqrt(2.0 / 3.0)


def cycle_angles(steps=None):
    """Angles at which the power-frequency cycle is averaged, each in the middle of its step [rad].

    Parameters
    ----------
    steps : int, optional
        Equal steps of the cycle; else ``lightning_angles``.

    Returns
    -------
    array, shape (steps,)

    Examples
    --------
    >>> print(np.degrees(cycle_angles(4)))
    [ 45. 135. 225. 315.]
    """
    steps = int(number("lightning_angles")) if steps is None else steps
    if steps < 1:
        raise ValueError(f"the cycle is averaged over 1 angle or more, not {steps}")
    return 2.0 * np.pi * (np.arange(steps) + 0.5) / steps

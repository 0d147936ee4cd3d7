"""Lightning trip-outs of every tower of a line, by the current that each stroke leaves to the footing.

Own make: stroke currents on a grid, the tower as an inductance, the wires as surge impedances that the neighbours'
footings join when their reflections are back, soil that breaks down around the electrode, strength of the gap by
the time to crest. All constants are from memory and common practice; the rates are plausible, not exact.
"""

import numpy as np
from scipy.special import ndtr

EDGES_KA = np.geomspace(2.0, 400.0, 81)
CURRENTS = np.sqrt(EDGES_KA[1:] * EDGES_KA[:-1])
ANGLES = np.cos(np.radians([6, 18, 30, 42, 54]))  # of the phase that stands highest
BREAKDOWN_KV_M = 350.0
LIGHT_M_US = 300.0
SCATTER = 0.08  # of the strength of a gap
TO_TOWER, TO_SPAN = 0.6, 0.4
LASTS = 0.9  # flashovers that become an arc of the line's own frequency


def weaker(current_ka):
    """Share of the first strokes below a peak current: two slopes that meet at 20 kA (CIGRE, from memory).

    Below it median 61 kA and 1.33 of the logarithm, above it 33.3 kA and 0.605; half of all lie below some 31 kA
    where both halves are counted together, and 3 to 4 % above 100 kA.
    """
    log = np.log(np.asarray(current_ka, float))
    return np.where(log < np.log(20), ndtr((log - np.log(61.1)) / 1.33), ndtr((log - np.log(33.3)) / 0.605))


SHARES = np.diff(weaker(EDGES_KA)) / np.diff(weaker(EDGES_KA)).sum()


def rates(site, ohm, bonded, wired):
    """Trip-outs per year at each tower.

    Parameters
    ----------
    site : dict
        Per tower ``height_m``, ``soil_ohm_m``, ``flash_density``; per span ``span_m``; and for the line
        ``gap_m``, ``crest_kv`` (phase to earth), ``wire_ohm`` (surge impedance of all wires together),
        ``coupling`` and ``wires_apart_m``.
    ohm : array of shape (n,)
        Footing resistance [Ω].
    bonded : array of shape (n,)
        Share of the shield wires that are tied to the tower, 0 to 1.
    wired : array of shape (n - 1,)
        Share of the shield wires that run through each span, 0 to 1.

    Returns
    -------
    array of shape (n,)
    """
    ohm, bonded = np.asarray(ohm, float), np.asarray(bonded, float)
    tied = 0.35 + 0.65 * bonded  # a wire that is not tied sparks over to the tower, late
    height, spans = site["height_m"], site["span_m"]
    collected = site["flash_density"] * (28 * height**0.6 + site["wires_apart_m"]) / 10
    stretch_km = np.convolve(spans, [0.5, 0.5])
    stretch_km[[0, -1]] = spans[[0, -1]] / 2
    strokes = collected * stretch_km / 1e5
    through = np.concatenate([[1.0], wired, [1.0]])
    lengths = np.concatenate([spans[:1], spans, spans[-1:]])
    beside = [np.r_[ohm[0], ohm[:-1]], np.r_[ohm[1:], ohm[-1]]]
    sides = [(through[:-1], lengths[:-1], beside[0]), (through[1:], lengths[1:], beside[1])]
    coupling = site["coupling"] * tied * (through[:-1] + through[1:]) / 2
    fall = np.stack([through[:-1], through[1:]]).mean(axis=0)
    tower = _flashover(site, ohm, CURRENTS, 1.0, sides, tied, coupling)
    # a stroke to a span is shared by both its towers; late to an untied tower, whole where one side is cut
    span = 0.0
    for share, late in ((bonded, 0.0), (1 - bonded, 60.0)):
        part = CURRENTS[None, :] * (0.55 + 0.35 * (1 - fall))[:, None]
        span = span + share * _flashover(site, ohm, part, 1.3, sides, tied, coupling, late)
    return strokes * LASTS * (TO_TOWER * tower + TO_SPAN * span)


def _flashover(site, ohm, current_ka, slower, sides, tied, coupling, late_ohm=0.0):
    """Probability that a stroke flashes over at each tower, over currents and instants [1]."""
    current = np.broadcast_to(current_ka, (len(ohm), len(CURRENTS)))
    front_us = slower * 1.0 * CURRENTS[None, :] ** 0.4
    strength = np.array([400 + 710 / front_us**0.75, np.full_like(front_us, 400 + 710 / 16**0.75)])
    strength = strength[..., None] * site["gap_m"]
    flash = []
    for at_crest in (True, False):
        wires = _wires(site, sides, tied, front_us if at_crest else np.full_like(front_us, 16.0))
        part = current * (1.0 if at_crest else 0.75)
        foot = _footing(ohm, site["soil_ohm_m"], part, wires)
        total = 1 / (foot + late_ohm) + wires
        rise_kv = part / total
        steep_us = 0.65 * site["height_m"][:, None] * site["tower_surge_ohm"] / LIGHT_M_US / front_us
        tower_kv = part * steep_us / (foot + late_ohm) / total if at_crest else 0.0
        across = (1 - coupling)[:, None] * (rise_kv + 0.75 * tower_kv)
        volts = across[..., None] + site["crest_kv"] * ANGLES
        flash.append(ndtr((volts / strength[0 if at_crest else 1] - 1) / SCATTER))
    return np.maximum(*flash).mean(axis=2) @ SHARES


def _wires(site, sides, tied, when_us):
    """Admittance of the shield wires at a tower [S]: surge impedance, and the neighbours once reflected."""
    total = 0.0
    for through, length, ohm in sides:
        back = np.clip(1 - 2 * length[:, None] / LIGHT_M_US / when_us, 0, 1)
        line = site["wire_ohm"] * length[:, None] / LIGHT_M_US / when_us
        total = total + through[:, None] * (1 / site["wire_ohm"] + 0.7 * back / (ohm[:, None] + line))
    return total * tied[:, None]


def _footing(ohm, soil, current, wires):
    """Footing under its part of the current [Ω]: the soil breaks down as far as the field does (CIGRE form)."""
    ohm, soil = ohm[:, None], soil[:, None]
    foot = np.broadcast_to(ohm, current.shape)
    for _ in range(30):
        through = current / foot / (1 / foot + wires)
        broken = ohm / np.sqrt(1 + 2 * np.pi * ohm**2 * through / (BREAKDOWN_KV_M * soil))
        foot = (foot + broken) / 2
    return foot

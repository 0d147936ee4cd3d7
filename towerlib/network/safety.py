"""Touch screen: which towers' touch voltage lies below or above the permissible one, as far as can be told.

It sorts towers for a closer look. It is no certificate and proves nothing safe: that takes the local code,
measurement on site and a licensed person.
"""

import numpy as np
import pandas as pd

from towerlib.network.words import figure
from towerlib.physics.touch import (
    added_resistance,
    surface_derating,
    touch_limit_en50522,
    touch_limit_ieee80,
)
from towerlib.readings.answers import yes
from towerlib.values import number

BELOW, ABOVE, CANNOT_TELL = "below", "above", "cannot tell"
BARE_FEET = "bare feet"
TRIAGE = (
    "The touch screen is a triage and no certificate: below is no proof of safety, cannot tell is no proof of "
    "danger. The local code, measurement on site and a licensed person decide."
)
STEP = "Step voltage and voltages carried away by fences or pipes are not screened; a long wire has its worst at its end."


def missing(line):
    """Why the touch screen is off.

    Parameters
    ----------
    line : Line
        Settings.

    Returns
    -------
    str
        One sentence; blank where nothing is missing.
    """
    clearing_s = line.earth_fault.clearing_s
    if clearing_s is None:
        return "The touch screen is off: line.toml lacks [earth_fault] clearing_s."
    shortest, longest = number("ieee80_shortest_s"), number("ieee80_longest_s")
    if line.safety.standard == "IEEE 80" and not shortest <= clearing_s <= longest:
        return (
            f"The touch screen is off: IEEE Std 80 holds from {shortest:g} to {longest:g} s and the clearing "
            f"time is {clearing_s:g} s."
        )
    return ""


def screen(condition, towers, line, rise_low_v, rise_high_v):
    """The touch screen of each tower, and its evidence.

    Parameters
    ----------
    condition, towers : pandas.DataFrame
        Condition of the line, and its register.
    line : Line
        Settings, with a clearing time.
    rise_low_v, rise_high_v : array, shape (n,)
        Interval of the potential rise for a fault at the tower [V].

    Returns
    -------
    pandas.DataFrame
        Index of `condition`: safety_screen (``below``, ``above``, ``cannot tell``) and safety_evidence.

    Notes
    -----
    Touch voltage = share of the rise within reach × rise. *below*: its upper end lies under the lower end of
    what is permissible, or by EN 50522 the rise does not pass twice that end. *above*: its lower end passes the
    upper end of what is permissible. Ground under the feet: as set, else the tower's upper layer or soil, else
    0 to 500 Ω·m. Unknown occupancy: bare feet to shoes.

    References
    ----------
    EN 50522, EN 50341-1, IEEE Std 80, as in `towerlib.physics.touch`.
    """
    at = _standing(condition, towers, line)
    low, high = at["fraction_low"] * rise_low_v, at["fraction_high"] * rise_high_v
    allowed_low, allowed_high = _permissible(at, line)
    below = high <= allowed_low
    if line.safety.standard != "IEEE 80":
        below |= rise_high_v <= number("touch_rise_factor") * allowed_low
    told = np.isfinite(rise_low_v) & np.isfinite(rise_high_v)
    words = np.select([told & below, told & (low > allowed_high)], [BELOW, ABOVE], CANNOT_TELL)
    figures = at.assign(
        touch_low_v=low,
        touch_high_v=high,
        rise_low_v=rise_low_v,
        rise_high_v=rise_high_v,
        allowed_low_v=allowed_low,
        allowed_high_v=allowed_high,
        told=told,
    )
    return pd.DataFrame(
        {
            "safety_screen": pd.array(words, dtype="str"),
            "safety_evidence": pd.array([_words(tower, line) for tower in figures.itertuples()], dtype="str"),
        },
        index=condition.index,
    )


def _standing(condition, towers, line):
    """Who stands at each tower, on what, and what share of the rise is within reach."""
    register = towers.set_index("tower_id").reindex(condition["tower_id"])
    given = condition["occupancy"].astype("object").to_numpy()
    occupancy = np.where(pd.isna(given), line.safety.occupancy or "", given)
    low, high, origin = _surface(register, line.safety)
    fraction_low, fraction_high, kind = _fractions(register, line.safety)
    return pd.DataFrame(
        {
            "occupancy": occupancy,
            "surface_low_ohm_m": low,
            "surface_high_ohm_m": high,
            "surface_origin": origin,
            "soil_ohm_m": register["soil_resistivity_ohm_m"].to_numpy(float),
            "fraction_low": fraction_low,
            "fraction_high": fraction_high,
            "fraction_origin": kind,
        },
        index=condition.index,
    )


def _surface(register, safety):
    """Resistivity under the feet, its ends and where it comes from."""
    if safety.surface_ohm_m is not None:
        return safety.surface_ohm_m, safety.surface_ohm_m, "as set"
    layer, soil = (register[name].to_numpy(float) for name in ("upper_layer_ohm_m", "soil_resistivity_ohm_m"))
    known = np.where(layer > 0, layer, np.where(soil > 0, soil, np.nan))
    origin = np.select([layer > 0, soil > 0], ["the upper layer", "the soil"], "not known")
    unknown = np.isnan(known)
    return (
        np.where(unknown, 0.0, known),
        np.where(unknown, number("touch_surface_unknown_ohm_m"), known),
        origin,
    )


def _fractions(register, safety):
    """Share of the rise within reach, its ends and where it comes from."""
    if safety.touch_fraction_low is not None:
        return safety.touch_fraction_low, safety.touch_fraction_high, "as set"
    ring = yes(register["ring"]).to_numpy()
    single = register["structure"].eq("monopole") | register["leg_count"].eq(1)
    single |= register["structure"].isin(["portal", "guyed"])
    kinds = [ring, single.fillna(False).to_numpy(bool)]
    ends = [
        np.select(
            kinds, [number(f"touch_fraction_{kind}_{end}") for kind in ("ring", "single")], number(other)
        )
        for end, other in (("low", "touch_fraction_footing_low"), ("high", "touch_fraction_footing_high"))
    ]
    return *ends, np.select(kinds, ["ring round the legs", "single feet"], "four footings")


def _permissible(at, line):
    """Low and high end of the permissible touch voltage [V]."""
    clearing_s, safety = line.earth_fault.clearing_s, line.safety
    ends = at["surface_low_ohm_m"], at["surface_high_ohm_m"]
    if safety.standard == "IEEE 80":
        return tuple(
            touch_limit_ieee80(clearing_s, end.to_numpy(float), _derating(at, end, safety), safety.body_kg)
            for end in ends
        )
    edition = int(safety.standard.split(":")[1])
    return tuple(
        touch_limit_en50522(clearing_s, ohm, edition)
        for ohm in _added(at, number("touch_footwear_ohm"), safety)
    )


def _derating(at, surface, safety):
    """Derating of a laid surface layer over the tower's own soil; 1 where none was laid."""
    if safety.surface_depth_m is None:
        return 1.0
    # Over soil that is not known: the layer on a good conductor, the safe side.
    soil = at["soil_ohm_m"].fillna(0.0).to_numpy(float)
    return surface_derating(soil, surface.to_numpy(float), safety.surface_depth_m)


def _added(at, shoes_ohm, safety):
    """Low and high end of the resistance in series with the body [Ω]; bare feet count as none."""
    shoes_ohm = shoes_ohm if safety.footwear_ohm is None else safety.footwear_ohm
    bare, unknown = at["occupancy"] == BARE_FEET, at["occupancy"] == ""
    low = added_resistance(at["surface_low_ohm_m"].to_numpy(float), shoes_ohm)
    high = added_resistance(at["surface_high_ohm_m"].to_numpy(float), shoes_ohm)
    return np.where(bare | unknown, 0.0, low), np.where(bare, 0.0, high)


def _words(tower, line):
    """Evidence of one tower, with every number that was assumed."""
    if not tower.told:
        return "The potential rise is not known."
    safety = line.safety
    who = tower.occupancy or "occupancy not known"
    feet = f"on {_span(tower.surface_low_ohm_m, tower.surface_high_ohm_m)} Ω·m ({tower.surface_origin})"
    if safety.standard == "IEEE 80":
        basis = f"{safety.standard}, {safety.body_kg} kg, {feet}"
    elif tower.occupancy == BARE_FEET:
        basis = f"{safety.standard}, no resistance added"
    else:
        shoes = number("touch_footwear_ohm") if safety.footwear_ohm is None else safety.footwear_ohm
        basis = f"{safety.standard}, shoes {shoes:g} Ω {feet}"
        basis += "" if tower.occupancy else ", or bare feet"
    words = (
        f"Rise {_span(tower.rise_low_v, tower.rise_high_v)} V, of which {tower.fraction_low:.2g} to "
        f"{tower.fraction_high:.2g} within reach ({tower.fraction_origin}): {_span(tower.touch_low_v, tower.touch_high_v)}"
        f" V against {_span(tower.allowed_low_v, tower.allowed_high_v)} V for {line.earth_fault.clearing_s:g} s "
        f"({basis}; {who})."
    )
    if tower.occupancy in ("accessible", "remote") and safety.standard != "IEEE 80":
        words += " Where people seldom come EN 50341-1 asks for no proof if faults are cleared at once (from memory)."
    return words


def _span(low, high):
    """Two figures as an interval, one where they are alike."""
    low, high = figure(low), figure(high)
    return low if low == high else f"{low} to {high}"

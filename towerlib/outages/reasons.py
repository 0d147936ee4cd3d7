"""Why the rank of a tower by what treatment avoids differs from its rank by footing impedance."""

import numpy as np
import pandas as pd

from towerlib.outages.rates import method_of, physics_towers
from towerlib.physics.lightning.rate import tower_rates

APART = 0.1  # ranks that differ by more than this part of the towers, and by more than two places, ask for a reason
WORDS = {  # factor: (why a tower avoids more than its impedance says, why less)
    "span": ("its spans are long", "its spans are short"),
    "flashes": ("more flashes fall there", "fewer flashes fall there"),
    "height": ("it is high", "it is low"),
    "soil": ("its soil ionises little", "its soil ionises under the stroke and helps the footing"),
    "strength": ("its insulators are short", "its insulators are long"),
    "target": ("its target is low", "its target is high: little is to be gained"),
}


def rank_reasons(geometry, exposed, point, impedance_rank, line):
    """The strongest reason at each tower whose two ranks lie apart, "" elsewhere.

    Parameters
    ----------
    geometry : LineGeometry
    exposed : pandas.DataFrame
        As `towerlib.outages.rates.filled` gives it.
    point : pandas.DataFrame
        As `towerlib.outages.rates.point_rates` gives it.
    impedance_rank : pandas.Series
        Of each tower, 1 the highest footing; blank without one.
    line : Line

    Returns
    -------
    pandas.Series of str
        Same index.

    Notes
    -----
    One property after the other is set to the median of the line, the others left: the ratio of what is avoided tells
    how much it matters at this tower. The strongest that points the way in which the ranks differ is named.
    """
    rated = point["trip_outs_per_year"].notna()
    benefit = point["avoided_to_target_per_year"].rank(ascending=False, method="min")
    impedance = impedance_rank.where(rated).astype("Float64").rank(method="min").astype(float)
    apart = (impedance - benefit).where(rated, 0.0)  # above 0: treatment avoids more than the impedance says
    asked = apart.abs() > max(2.0, APART * rated.sum())
    if not asked.any():
        return pd.Series("", exposed.index, dtype="str")
    effects = _effects(geometry, exposed, rated, line)
    towards = effects.mul(np.sign(apart), axis=0)
    strongest, size = towards.idxmax(axis=1), towards.max(axis=1)
    words = [WORDS[factor][0 if more else 1] for factor, more in zip(strongest, apart > 0, strict=True)]
    return pd.Series(np.where(asked & (size > 0.05), words, ""), exposed.index, dtype="str")


def _effects(geometry, exposed, rated, line):
    """By how much each property of a tower raises what is avoided there, as a logarithm; 0 where it is usual."""
    usable = exposed.assign(footing_ohm=exposed["footing_ohm"].where(rated & (exposed["flaw"] == "")))
    own = _avoided(geometry, usable, line)
    ratio = usable["resistivity_ohm_m"] / usable["footing_ohm"]
    usual = {
        "span": {name: usable[name].median() for name in ("span_m", "surge_span_m")},
        "flashes": {"flash_density": usable["flash_density"].median()},
        "height": {"height_m": usable["height_m"].median()},
        "soil": {"resistivity_ohm_m": usable["footing_ohm"] * ratio.median()},
        "strength": {"strength_kv": usable["strength_kv"].median()},
        "target": {"target_ohm": usable["target_ohm"].median()},
    }
    with np.errstate(divide="ignore", invalid="ignore"):
        changed = {
            factor: np.log(own / _avoided(geometry, usable.assign(**value), line))
            for factor, value in usual.items()
        }
    return pd.DataFrame(changed, index=exposed.index).replace([np.inf, -np.inf], np.nan).fillna(0.0)


def _avoided(geometry, exposed, line):
    """Trip-outs that the target avoids at each tower."""
    footing = exposed["footing_ohm"].to_numpy(float)
    goal = np.minimum(footing, exposed["target_ohm"].to_numpy(float))
    now, aimed = (
        tower_rates(geometry, physics_towers(exposed, ohm), method_of(line)).backflashovers_per_year
        for ohm in (footing, goal)
    )
    return now - aimed

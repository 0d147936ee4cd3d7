"""Every treatment at every tower, put together to one table."""

import numpy as np
import pandas as pd

from towerlib.treatments.benefit import (
    avoided_by_arresters,
    avoided_by_metal,
    avoided_by_repair,
    avoided_by_underbuilt,
    drawn_sites,
)
from towerlib.treatments.curves import at_towers
from towerlib.treatments.learned import log_factors
from towerlib.treatments.options import barred, cautions, last_resorts, must_do
from towerlib.treatments.predict import banded, digs, lengths, lightning_lengths, repaired, response
from towerlib.treatments.quantities import QUANTITIES, quantities

COLUMNS = """
    tower_id option kind applies reason must_do access_group access soil_class footing_ohm predicted_ohm
    predicted_low_ohm predicted_high_ohm learned_factor lightning_ohm within_limit saturated avoided_per_year avoided_low
    avoided_high benefit_per_year life_years purse verify soil_source crew_days crew_weeks effort
""".split()
WHOLE = ("nothing", "retest", "rebond", "arresters", "under-built")  # these leave the footing as it is


def option_table(offered, sites, line, light, taught, saturated):
    """Options of all towers, without cost.

    Parameters
    ----------
    offered : sequence of Treatment
    sites : pandas.DataFrame
        As `towerlib.treatments.sites.sites` gives it.
    line : Line
    light : towerlib.treatments.curves.Lightning or None
        None leaves trip-outs blank.
    taught : pandas.DataFrame
        Learned corrections.
    saturated : array of bool, shape (n,)
        Towers that no footing within reach helps.

    Returns
    -------
    pandas.DataFrame
        One row a tower and treatment, by tower: columns as in `COLUMNS`, then the quantities. What cannot be done
        has no prediction.
    """
    drawn = None if light is None else drawn_sites(light, sites)
    found = {one.option: _one(one, sites, line, light, drawn, taught) for one in offered}
    reasons = last_resorts(found, sites, saturated)
    parts = []
    for place, treatment in enumerate(offered):
        one = found[treatment.option] | {"saturated": saturated}
        one["reason"] = reasons.get(treatment.option, one["reason"])
        parts.append(_rows(treatment, sites, line, one).assign(_tower=range(len(sites)), _place=place))
    table = pd.concat(parts).sort_values(["_tower", "_place"], kind="stable").reset_index(drop=True)
    return table[[*COLUMNS, *QUANTITIES]]


def _one(treatment, sites, line, light, drawn, taught):
    """Reasons, prediction and trip-outs avoided of one treatment."""
    settings = line.treatments
    reason = barred(treatment, sites, settings)
    blank = np.full(len(sites), np.nan)
    one = {
        "kind": treatment.kind,
        "reason": reason,
        "learned_factor": np.ones(len(sites)),
        "lightning_ohm": blank,
    }
    one |= dict.fromkeys(("predicted_ohm", "predicted_low_ohm", "predicted_high_ohm"), blank)
    one |= dict.fromkeys(("avoided_per_year", "avoided_low", "avoided_high"), blank)
    if digs(treatment):
        return one | _metal(treatment, sites, settings, light, drawn, taught, reason == "")
    footing = [sites[name].to_numpy(float) for name in ("footing_ohm", "footing_low_ohm", "footing_high_ohm")]
    values = repaired(sites) if treatment.kind == "lead" else footing
    one |= dict(zip(("predicted_ohm", "predicted_low_ohm", "predicted_high_ohm"), values, strict=True))
    return one | _without_metal(treatment, sites, one, light, drawn)


def _metal(treatment, sites, settings, light, drawn, taught, possible):
    """Prediction and trip-outs avoided of what digs, at the towers that can have it."""
    rows = np.flatnonzero(possible)
    if not rows.size:
        return {}
    here = sites.iloc[rows].reset_index(drop=True)
    learned = log_factors(taught, treatment, here) if settings.learn else np.zeros(len(here))
    full_m, seen_m = lengths(treatment, here), lightning_lengths(treatment, here)
    whole = response(treatment, here, settings, full_m)
    ends = banded(whole, here, learned)
    found = dict(zip(("predicted_ohm", "predicted_low_ohm", "predicted_high_ohm"), ends, strict=True))
    found["learned_factor"] = np.exp(learned)
    if light is not None:
        cut = (
            whole
            if np.array_equal(full_m, seen_m, equal_nan=True)
            else response(treatment, here, settings, seen_m)
        )
        part = (
            at_towers(light, rows),
            {name: values[..., rows] if values.shape[-1] > 1 else values for name, values in drawn.items()},
        )
        avoided = avoided_by_metal(*part, here, treatment, cut, learned)
        found |= dict(
            zip(("avoided_per_year", "avoided_low", "avoided_high", "lightning_ohm"), avoided, strict=True)
        )
    return {name: _spread(values, rows, len(sites)) for name, values in found.items()}


def _spread(values, rows, count):
    """Values of some towers among all, NaN elsewhere."""
    full = np.full(count, np.nan)
    full[rows] = values
    return full


def _without_metal(treatment, sites, one, light, drawn):
    """Trip-outs avoided of what leaves the ground as it is."""
    names = ("avoided_per_year", "avoided_low", "avoided_high")
    if treatment.kind in ("nothing", "retest"):
        return dict.fromkeys(names, np.zeros(len(sites)))
    if light is None or treatment.kind == "rebond":
        return {}
    if treatment.kind == "lead":
        found = avoided_by_repair(light, sites, one["predicted_ohm"], drawn)
    elif treatment.kind == "arresters":
        found = avoided_by_arresters(light, drawn, sites)
    else:
        found = avoided_by_underbuilt(light, drawn, sites)
    return dict(zip(names, found, strict=True))


def _rows(treatment, sites, line, one):
    """Rows of one treatment, a tower each."""
    applies = one["reason"] == ""
    told = np.where(applies, cautions(treatment, sites, one), one["reason"])
    rows = pd.DataFrame(
        {
            "tower_id": sites["tower_id"],
            "option": treatment.option,
            "kind": treatment.kind,
            "applies": applies,
            "reason": pd.array(told, dtype="str"),
            "must_do": must_do(treatment, sites).to_numpy(bool) & applies,
            "life_years": treatment.life_years,
            "purse": treatment.purse,
            "verify": treatment.verify,
            **{
                name: sites[name]
                for name in ("access_group", "access", "soil_class", "footing_ohm", "soil_source")
            },
        },
        index=sites.index,
    )
    numbers = {name: np.where(applies, one[name], np.nan) for name in NUMBERS}
    rows = rows.assign(**numbers, saturated=one["saturated"], benefit_per_year=numbers["avoided_per_year"])
    within = pd.array(numbers["predicted_ohm"] <= sites["limit_ohm"].to_numpy(float), dtype="boolean")
    within[np.isnan(numbers["predicted_ohm"])] = pd.NA
    return rows.assign(within_limit=within).join(quantities(treatment, sites, line.treatments, line))


NUMBERS = """
    predicted_ohm predicted_low_ohm predicted_high_ohm learned_factor lightning_ohm avoided_per_year avoided_low avoided_high
""".split()

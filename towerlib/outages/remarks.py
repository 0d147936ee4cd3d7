"""Remarks on a line's trip-out rates: analyses that are off, assumptions, doubts, and reasons of ranks."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.outages.calibration import over_ceiling
from towerlib.outages.rates import method_of, physics_towers
from towerlib.physics.lightning.rate import tower_rates
from towerlib.text import counted, listed
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

    from towerlib.config import Line
    from towerlib.outages.calibration import FlashDensity
    from towerlib.physics.lightning.surge import LineGeometry


NAMED = 6  # towers named in one sentence


def off(
    exposed: pd.DataFrame, judged: pd.DataFrame, flashes: pd.DataFrame, seen: dict[str, Any]
) -> list[str]:
    """Analyses that are off and towers without a rate, with the reason.

    Parameters
    ----------
    exposed : pandas.DataFrame
        As `towerlib.outages.geometry.towers_exposed` gives it.
    judged, flashes : pandas.DataFrame
        Trip-outs and flashes.
    seen : dict
        As `towerlib.outages.calibration.observed` gives it.

    Returns
    -------
    list of str
    """
    remarks = []
    if exposed["flash_density"].isna().to_numpy().any():
        remarks.append(
            "Relative rates only: no ground flash density. Give [lightning] ground_flash_density in line.toml, "
            "ground_flash_density in towers.csv, or flashes.csv."
        )
    for flaw, some in exposed[exposed["flaw"] != ""].groupby("flaw", sort=True):
        remarks.append(f"No trip-out rate at {_towers(some)}: {flaw}.")
    if judged.empty:
        remarks.append("No record to compare the rates with: outages.csv has no trip-out.")
    elif not seen:
        remarks.append(
            "No record to compare the rates with: the days that outages.csv covers are not known, or are yet to come."
        )
    if flashes.empty:
        remarks.append("No trip-out can be confirmed as lightning by a flash: flashes.csv has no flash.")
    return remarks


def _towers(some):
    """Some towers by name, and how many more."""
    return f"{counted(len(some), 'tower')} ({listed(some['tower_id'], NAMED)})"


def assumed(exposed: pd.DataFrame, line: Line, local: FlashDensity | None, seen: dict[str, Any]) -> list[str]:
    """Assumptions for missing records.

    Parameters
    ----------
    exposed : pandas.DataFrame
    line : Line
    local : FlashDensity or None
    seen : dict
        As `towerlib.outages.calibration.observed` gives it.

    Returns
    -------
    list of str
    """
    remarks = []
    soil = exposed[(exposed["soil_source"] == "assumed") & exposed["footing_ohm"].notna()]
    if len(soil):
        remarks.append(
            f"Soil resistivity assumed, 20 m times the footing, at {_towers(soil)}: between 10 and 50 m the "
            "rate at 132 kV and 20 Ω goes from 0.7 to 1.2 times this, at higher voltages further."
        )
    wire = exposed[exposed["assumed"].str.contains("insulated shield wire")]
    if len(wire):
        remarks.append(
            f"Insulated shield wire taken as bonded (it sparks over under a surge) at {_towers(wire)}."
        )
    source = cast("pd.Series", exposed["flash_density_source"])
    if local is not None and (source == "flashes along the line").any():
        remarks.append(
            f"Ground flash density from {local.count} flashes in a corridor of {local.corridor_m:.0f} m to either side, "
            f"{local.years:.0f} years: {local.per_km2_year:.2g} per km² and year "
            f"({local.low:.2g} to {local.high:.2g})."
        )
    if (source == "mean of the other towers").any():
        remarks.append(
            f"Ground flash density as the mean of the other towers at {_towers(exposed[source == 'mean of the other towers'])}."
        )
    record = line.outage_record
    if seen and not (record.outages_from and record.outages_to):
        remarks.append(
            "Years of record taken from the first to the last entry of trip-outs and flashes: set [outage_record] "
            "outages_from and outages_to."
        )
    if not line.lightning.shielding_failures_per_100_km_year:
        remarks.append("Shielding failures, which no earthing changes, are assumed to be none.")
    return remarks


def soil_doubts(towers: pd.DataFrame) -> list[str]:
    """Towers (tower_id, soil_fits) whose footing and soil do not agree, in sentences."""
    odd = towers[towers["soil_fits"].eq(False).fillna(False).astype(bool)]
    if odd.empty:
        return []
    return [
        f"Footing far too high for the soil on record at {_towers(odd)}: broken lead, false reading or other soil? "
        "Calculated with the least soil resistivity that fits."
    ]


def notes(
    seen: dict[str, Any],
    line: dict[str, Any],
    local: FlashDensity | None,
    works: pd.DataFrame,
    stated_density: float | None,
) -> list[str]:
    """Other remarks: ceiling, a density that disagrees, works within the record.

    Parameters
    ----------
    seen, line : dict
        Observed figures; sums of the line.
    local : FlashDensity or None
    works : pandas.DataFrame
        Completed treatments.
    stated_density : float or None
        Of the settings.

    Returns
    -------
    list of str
    """
    remarks = [over_ceiling(seen, line["collected_per_year"])] if "collected_per_year" in line else []
    remarks += _densities_apart(local, stated_density)
    if seen and len(works):
        first = works["date"].min()
        remarks.append(
            f"Since {first:%Y-%m} towers were treated ({works['tower_id'].nunique()}): the trip-outs before that belong to "
            "other footings than those of the model."
        )
    if local is not None:
        remarks += local.remarks
    return [sentence for sentence in remarks if sentence]


def _densities_apart(local, stated):
    """Where the flashes along the line contradict the ground flash density that is stated."""
    if local is None or not stated:
        return []
    if abs(local.per_km2_year / stated - 1) <= number("flash_density_percent") / 100:
        return []
    return [
        f"line.toml states {stated:g} flashes per km² and year, the list of flashes gives {local.per_km2_year:.2g}: "
        "check the source, and the share of flashes that the location system lists."
    ]


APART = 0.1  # ranks that differ by more than this part of the towers, and by more than two places, ask for a reason
WORDS = {  # factor: (why a tower avoids more than its impedance suggests, why less)
    "span": ("its spans are long", "its spans are short"),
    "flashes": ("more flashes fall there", "fewer flashes fall there"),
    "height": ("it is high", "it is low"),
    "soil": ("its soil ionises little", "its soil ionises under the stroke and helps the footing"),
    "strength": ("its insulators are short", "its insulators are long"),
    "target": ("its target is low", "its target is high: little is to be gained"),
}


def rank_reasons(
    geometry: LineGeometry, exposed: pd.DataFrame, point: pd.DataFrame, impedance_rank: pd.Series, line: Line
) -> pd.Series:
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
    One property after the other is set to the median of the line, the others left: the ratio of what is avoided shows
    how much it matters at this tower. The strongest that points the way in which the ranks differ is named.
    """
    rated = point["trip_outs_per_year"].notna()
    benefit = point["avoided_to_target_per_year"].rank(ascending=False, method="min")
    impedance = impedance_rank.where(rated).astype("Float64").rank(method="min").astype(float)
    apart = (impedance - benefit).where(
        rated, 0.0
    )  # above 0: treatment avoids more than the impedance suggests
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

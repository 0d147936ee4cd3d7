"""Treatment options of each tower: quantities, predicted footing, trip-outs avoided and cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from towerlib.readings.tower_soil import ASSUMED
from towerlib.text import counted
from towerlib.treatments import benefit, catalogue, costs, learned
from towerlib.treatments.costs import EFFORT, NO_PRICES, cost_lines, mobilisations, totals
from towerlib.treatments.options import option_table
from towerlib.treatments.options import sites as towers_as_sites

if TYPE_CHECKING:
    from towerlib.network import Network
    from towerlib.outages import Outages
    from towerlib.records.load import Records
    from towerlib.route import Route


__all__ = ["Treatments", "assess"]


@dataclass(frozen=True)
class Treatments:
    """Options of every tower of a line.

    Attributes
    ----------
    options : pandas.DataFrame
        One row per tower and treatment, towers in route order:

        - option: tower_id, option, kind, applies, reason (against the option, or cautions), must_do;
        - gain: footing_ohm, predicted_ohm with predicted_low_ohm, predicted_high_ohm; learned_factor (in the
          prediction); lightning_ohm (footing effective for lightning afterwards); within_limit; saturated;
          avoided_per_year with avoided_low, avoided_high; benefit_per_year, the same for a plan in trip-outs;
        - cost: cost, cost_low, cost_high without mobilisation, cost_flaw; NaN where it cannot be done or priced;
        - work: access_group, access, soil_class, the quantities, crew_days, crew_weeks, effort (trench metres);
        - life_years, purse (budget category), verify, soil_source;
        - decides: what an inspection or repair settles; conditional_on: what the treatment waits for, in the same words.
    cost_lines : pandas.DataFrame
        One row per option and item, with quantity, price and price row; from `costs.cost_lines`.
    mobilisation : pandas.DataFrame
        One row per access group: price, low, high of one mobilisation, and its price row. No option's cost includes it.
    learned : pandas.DataFrame
        Completed works with predicted and achieved footings, from `learned.works_done`.
    corrections : pandas.DataFrame
        Learned correction by kind and soil class, with the number of works; from `learned.corrections`.
    off, assumed : tuple of str
        Analyses that are not available, with the reason; assumptions and other remarks.
    """

    options: pd.DataFrame
    cost_lines: pd.DataFrame
    mobilisation: pd.DataFrame
    learned: pd.DataFrame
    corrections: pd.DataFrame
    off: tuple[str, ...]
    assumed: tuple[str, ...]

    @property
    def choices(self) -> pd.DataFrame:
        """Options that a plan can select: those that apply and are work, or that decide about other works."""
        work = ~self.options["kind"].isin(["nothing", "retest"]) | (self.options["decides"] != "")
        return self.options.loc[self.options["applies"] & work].reset_index(drop=True)

    @property
    def did_not_improve(self) -> pd.DataFrame:
        """Completed works after which the footing was not lower."""
        return self.learned.loc[self.learned["improved"].eq(False).fillna(False).astype(bool)]


def assess(
    records: Records,
    route: Route,
    condition: pd.DataFrame,
    network: Network | None,
    outages: Outages | None,
    month: str,
    *,
    visits: pd.DataFrame | None = None,
) -> Treatments:
    """Treatment options of each tower of a line, as of the last day of a month.

    Parameters
    ----------
    records, route : Records, Route
        The line.
    condition : pandas.DataFrame
        One row per tower in route order, from `towerlib.condition.assess`.
    network : Network or None
        From `towerlib.network.assess`; without it no ring is a must-do for touch voltage.
    outages : Outages or None
        From `towerlib.outages.assess`; without it trip-outs avoided are blank.
    month : str
        ``YYYY-MM``; later works, visits and soundings are ignored.
    visits : pandas.DataFrame, optional
        Graded visits, to compare completed works with readings; default: the ungraded visits of the records.

    Returns
    -------
    Treatments

    Raises
    ------
    RecordsError
        A price that is not valid.
    SettingsError
        ``[treatments]`` names an unknown treatment; the month is not valid.

    Notes
    -----
    A screening for a budget, no design: trenching, live-line work and anything that opens a bond belong to licensed people
    under the local code and the utility's own rules, with buried services located first.
    """
    settings = records.line.treatments
    offered = catalogue.offered(settings)
    priced = costs.price_list(records.prices)
    towers = towers_as_sites(records, route, condition, network, month)
    done = learned.works_done(records, towers, offered, month, records.visits if visits is None else visits)
    taught = learned.corrections(done)
    light, why = benefit.lightning(records, route, condition, outages)
    options = option_table(offered, towers, records.line, light, taught, _saturated(outages, towers))
    lines = cost_lines(options.loc[options["applies"]], priced)
    cost = totals(options, lines)
    barred = ~options["applies"]
    cost.loc[barred, ["cost", "cost_low", "cost_high"]] = float("nan")
    options = options.join(cost)
    groups = mobilisations(towers, priced)
    remarks = (
        why,
        "" if len(priced.rows) else NO_PRICES,
        *_unread_prices(records),
        *_unpriced(options, groups, priced),
    )
    return Treatments(
        options=options,
        cost_lines=lines,
        mobilisation=groups,
        learned=done,
        corrections=taught,
        off=tuple(part for part in (*remarks, *_off(towers, network)) if part),
        assumed=(*_assumed(towers), *priced.remarks, EFFORT),
    )


def _saturated(outages, towers):
    """Towers at which no achievable footing would help against lightning."""
    if outages is None:
        return pd.Series(False, towers.index).to_numpy()
    helps = outages.towers.set_index("tower_id")["treatment_can_help"].reindex(towers["tower_id"])
    return helps.eq(False).fillna(False).to_numpy(bool)


def _unpriced(options, groups, priced):
    """Sentences on items and mobilisations without a price."""
    if not len(priced.rows):
        return []
    flaws = options.loc[options["applies"] & (options["cost_flaw"] != ""), "cost_flaw"].value_counts()
    remarks = [
        f"{counted(count, 'option')} without cost: {flaw} for their soil and access."
        for flaw, count in flaws.items()
    ]
    if lost := groups.loc[groups["price"].isna(), "access_group"].tolist():
        remarks.append(
            f"No mobilisation price for {counted(len(lost), 'access group')}: {', '.join(lost[:6])}."
        )
    return remarks


def _unread_prices(records):
    """Price rows that could not be used."""
    rejected = getattr(records, "rejected", None)
    if rejected is None or not (lost := int((rejected["table"] == "prices").sum())):
        return []
    first = rejected[rejected["table"] == "prices"].iloc[0]
    return [f"{counted(lost, 'price row')} not used; the first, row {first['row']}: {first['reason']}"]


def _off(towers, network):
    """Results that are not available because records are missing."""
    remarks = []
    bare = towers[towers["upper_ohm_m"].isna()]
    if len(bare):
        remarks.append(f"No prediction at {_named(bare)}: no soil data.")
    if network is None:
        remarks.append("No ring is a must-do for touch voltage: touch-voltage screening is not available.")
    return remarks


def _assumed(towers):
    """Assumptions where the register is blank."""
    remarks = []
    if (guessed := towers["soil_source"] == ASSUMED).any():
        remarks.append(
            f"No soil data at {_named(towers[guessed])}: resistivity assumed as 20 m times the footing. Predictions there "
            "have wide intervals."
        )
    if (blank := towers["geometry_assumed"]).any():
        remarks.append(f"Four legs, 6 m apart, assumed at {_named(towers[blank])}: the register is blank.")
    if (blank := towers["soil_class"].isna()).any():
        remarks.append(f"Ordinary ground assumed for the crew's time at {_named(towers[blank])}.")
    return remarks


def _named(towers):
    """Count of towers and the first six names."""
    ids = ", ".join(towers["tower_id"].head(6))
    return f"{counted(len(towers), 'tower')} ({ids}{', …' if len(towers) > 6 else ''})"

"""What could be done at each tower: options with quantities, predicted footing, trip-outs avoided, and cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

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
        One row a tower and treatment, towers in route order:

        - what: tower_id, option, kind, applies, reason (why not, or what has to be said of it), must_do;
        - gain: footing_ohm, predicted_ohm with predicted_low_ohm, predicted_high_ohm; learned_factor (in the
          prediction); lightning_ohm (footing that lightning sees afterwards); within_limit; saturated;
          avoided_per_year with avoided_low, avoided_high; benefit_per_year, the same for a plan in trip-outs;
        - cost: cost, cost_low, cost_high without mobilisation, cost_flaw; NaN where it cannot be done or priced;
        - work: access_group, access, soil_class, the quantities, crew_days, crew_weeks, effort (trench metres);
        - life_years, purse, verify, soil_source.
    cost_lines : pandas.DataFrame
        One row an option and item: what, how much, at which price, from which row; as `costs.cost_lines`.
    mobilisation : pandas.DataFrame
        One row an access group: price, low, high of one mobilisation, and its price row. In no option's cost.
    learned : pandas.DataFrame
        Completed works: predicted and achieved; as `learned.works_done`.
    corrections : pandas.DataFrame
        Learned correction by kind and class of soil with its n; as `learned.corrections`.
    off, assumed : tuple of str
        What is off and why; what stands in, and what else a reader has to know.
    """

    options: pd.DataFrame
    cost_lines: pd.DataFrame
    mobilisation: pd.DataFrame
    learned: pd.DataFrame
    corrections: pd.DataFrame
    off: tuple
    assumed: tuple

    @property
    def choices(self) -> pd.DataFrame:
        """Rows that a plan can choose from: what applies and is work."""
        work = ~self.options["kind"].isin(["nothing", "retest"])
        return self.options[self.options["applies"] & work].reset_index(drop=True)

    @property
    def did_not_improve(self) -> pd.DataFrame:
        """Works after which the footing was no lower."""
        return self.learned[self.learned["improved"].eq(False).fillna(False).astype(bool)]


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
    """What could be done at each tower of a line, as of the last day of a month.

    Parameters
    ----------
    records, route : Records, Route
        The line.
    condition : pandas.DataFrame
        One row a tower in route order, as `towerlib.condition.assess` gives it.
    network : Network or None
        As `towerlib.network.assess` gives it; without it no ring is a must for touch voltage.
    outages : Outages or None
        As `towerlib.outages.assess` gives it; without it nothing is avoided.
    month : str
        ``YYYY-MM``; later works, visits and soundings are not seen.
    visits : pandas.DataFrame, optional
        Visits with their verdicts, for works against readings; else those of the records, ungraded.

    Returns
    -------
    Treatments

    Raises
    ------
    RecordsError
        Prices that make no sense.
    SettingsError
        ``[treatments]`` names what is not there; the month is none.

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
    lines = cost_lines(options[options["applies"]], priced)
    cost = totals(options, lines)
    barred = ~options["applies"]
    cost.loc[barred, ["cost", "cost_low", "cost_high"]] = float("nan")
    options = options.join(cost)
    groups = mobilisations(towers, priced)
    told = (
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
        off=tuple(part for part in (*told, *_off(towers, network)) if part),
        assumed=(*_assumed(towers), *priced.remarks, EFFORT),
    )


def _saturated(outages, towers):
    """Towers that no footing within reach helps."""
    if outages is None:
        return pd.Series(False, towers.index).to_numpy()
    helps = outages.towers.set_index("tower_id")["treatment_can_help"].reindex(towers["tower_id"])
    return helps.eq(False).fillna(False).to_numpy(bool)


def _unpriced(options, groups, priced):
    """Sentences on items and mobilisations without a price."""
    if not len(priced.rows):
        return []
    flaws = options.loc[options["applies"] & (options["cost_flaw"] != ""), "cost_flaw"].value_counts()
    told = [
        f"{counted(count, 'option')} without cost: {flaw} for their soil and access."
        for flaw, count in flaws.items()
    ]
    if lost := groups.loc[groups["price"].isna(), "access_group"].tolist():
        told.append(
            f"No price of a mobilisation for {counted(len(lost), 'access group')}: {', '.join(lost[:6])}."
        )
    return told


def _unread_prices(records):
    """Price rows that could not be used."""
    rejected = getattr(records, "rejected", None)
    if rejected is None or not (lost := int((rejected["table"] == "prices").sum())):
        return []
    first = rejected[rejected["table"] == "prices"].iloc[0]
    return [f"{counted(lost, 'price row')} not used; the first, row {first['row']}: {first['reason']}"]


def _off(towers, network):
    """What cannot be told for want of records."""
    told = []
    bare = towers[towers["upper_ohm_m"].isna()]
    if len(bare):
        told.append(f"No prediction at {_named(bare)}: no soil data.")
    if network is None:
        told.append("No ring is a must for touch voltage: there is no touch screen.")
    return told


def _assumed(towers):
    """What stands in for blank registers."""
    told = []
    if (blank := towers["geometry_assumed"]).any():
        told.append(f"Four legs, 6 m apart, assumed at {_named(towers[blank])}, where the register has none.")
    if (blank := towers["soil_class"].isna()).any():
        told.append(f"Ordinary ground assumed for the crew's time at {_named(towers[blank])}.")
    return told


def _named(towers):
    """How many towers, and the first of them."""
    ids = ", ".join(towers["tower_id"].head(6))
    return f"{counted(len(towers), 'tower')} ({ids}{', …' if len(towers) > 6 else ''})"

"""The order of the calls from an assessment to the sheet that a crew takes along."""

from dataclasses import dataclass

import pandas as pd

from towerlib.fieldwork import around, doubts, lays, returns, selection, stops


@dataclass(frozen=True)
class FieldSheet:
    """What a crew takes along.

    Attributes
    ----------
    line_id, title, month : str
        The line, and the month as of which it was assessed.
    chosen : str
        Which towers are on the sheet, in one sentence.
    stops : DataFrame
        One row a tower in route order, as `towerlib.fieldwork.stops.stops` gives it.
    lays : DataFrame
        One row a pair of probes, as `towerlib.fieldwork.lays.lay_probes` gives it.
    visits, legs : DataFrame
        Rows to fill in, as `towerlib.fieldwork.returns` gives them.
    has_sweeps : bool
        The line's records hold sweeps over frequency.
    remarks : list of str
        What is not known about the surroundings, and what the reader of the route has to know.
    """

    line_id: str
    title: str
    month: str
    chosen: str
    stops: pd.DataFrame
    lays: pd.DataFrame
    visits: pd.DataFrame
    legs: pd.DataFrame
    has_sweeps: bool
    remarks: list[str]


def prepare(study, towers="", *, from_km=None, to_km=None, context=()):
    """The sheet for the next visit to towers of a line.

    Parameters
    ----------
    study : Assessment
        The line as of a month.
    towers : str
        As for `towerlib.fieldwork.selection.choose`.
    from_km, to_km : float, optional
        Stretch of chainage [km].
    context : iterable of GeoDataFrame
        Further layers to keep clear of, each with its name in ``attrs["name"]``.

    Returns
    -------
    FieldSheet

    Raises
    ------
    SettingsError
        Unknown tower, empty choice, or a stretch that ends before it starts.
    """
    tower_ids, chosen = selection.choose(study, towers, from_km=from_km, to_km=to_km)
    called = stops.stops(study, tower_ids)
    clearances = lays.Clearances.of(study.line)
    laid = lays.lay_probes(called, clearances)
    neighbours = around.neighbours(study, context)
    laid = laid.assign(doubts=doubts.of_lays(laid, called, neighbours, clearances))
    called = called.assign(probe_doubts=doubts.of_stops(called, clearances))
    visits = returns.visits(called, study)
    called = called.assign(visit_id=visits["visit_id"].to_numpy())
    return FieldSheet(
        line_id=study.line.id,
        title=study.line.title,
        month=study.month,
        chosen=chosen,
        stops=called,
        lays=laid,
        visits=visits,
        legs=returns.legs(called, study),
        has_sweeps=len(study.records.sweeps) > 0,
        remarks=[*neighbours.remarks, *study.route.remarks],
    )

"""A stretch of the line, ready to be drawn and put into words."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib import whatif
from towerlib.errors import SettingsError
from towerlib.publish import shown, tower_case
from towerlib.publish.lettering import plain

MOST_CELLS = 30  # towers whose histories and sweeps fit beside one another


@dataclass(frozen=True)
class LineCase:
    """A line as of a month with what every stretch of it needs.

    Attributes
    ----------
    study : Assessment
        The line.
    tables : Tables
        Of single towers, as of `towerlib.publish.tower_case.tables_of`.
    case : Case or None
        For what-ifs; None where the line cannot be seen as a ladder.
    why_not : str
        Why there is none.
    """

    study: object
    tables: object
    case: whatif.Case | None
    why_not: str


@dataclass(frozen=True)
class SpanCase:
    """A stretch of a line, for its panels.

    Attributes
    ----------
    line : LineCase
        The line.
    stretch : Stretch
        Which towers.
    towers : pandas.DataFrame
        Their condition, as of `shown.with_value`.
    compared : pandas.DataFrame or None
        What they read and would read, as of `towerlib.whatif.compare`; None without a network.
    change : Change
        What differs in ``compared``.
    """

    line: LineCase
    stretch: whatif.Stretch
    towers: pd.DataFrame
    compared: pd.DataFrame | None
    change: whatif.Change

    @property
    def chainage_km(self):
        """Chainage of the towers [km]."""
        return self.towers["chainage_km"].to_numpy(float)

    @property
    def tower_id(self):
        """Names of the towers."""
        return self.towers["tower_id"].tolist()

    @property
    def ends_km(self):
        """Ends of the axis along the route, the same in every panel [km]."""
        low, high = np.nanmin(self.chainage_km), np.nanmax(self.chainage_km)
        # Half a span at both ends, for what is drawn in the cells of the end towers.
        margin = 0.5 * (high - low) / (len(self.towers) - 1)
        return float(low - margin), float(high + margin)

    @property
    def suspects(self):
        """Chainages of suspected spans, (s, 2), and of towers with a suspected bond, (b,) [km]."""
        network = self.line.study.network
        spans = np.flatnonzero(network.spans["span_scan"].iloc[self.stretch.spans] == "suspected")
        bonds = network.towers["bond_suspect"].iloc[self.stretch.towers].eq(True).fillna(False)
        x = self.chainage_km
        return np.column_stack([x[spans], x[spans + 1]]), x[bonds.to_numpy(bool)]


def line_case(study):
    """A line with what every stretch of it needs.

    Parameters
    ----------
    study : Assessment
        The line as of a month.

    Returns
    -------
    LineCase
    """
    case, why_not = None, ""
    try:
        case = whatif.case_of(study)
    except SettingsError as flaw:
        why_not = str(flaw)
    return LineCase(study, tower_case.tables_of(study), case, why_not)


def span_case(line, stretch, change=None):
    """A stretch of a line, with a what-if beside it.

    Parameters
    ----------
    line : LineCase
        The line.
    stretch : Stretch
        Which towers.
    change : Change, optional
        The what-if; else what the network analysis suspects within the stretch.

    Returns
    -------
    SpanCase
    """
    change = whatif.suspected_change(line.study.network, stretch) if change is None else change
    compared = None if line.case is None else whatif.compare(line.case, change, stretch)
    condition = line.study.condition.iloc[stretch.towers].reset_index(drop=True)
    return SpanCase(line, stretch, shown.with_value(condition), compared, change)


def change_words(line, change):
    """A what-if in words.

    Parameters
    ----------
    line : LineCase
        The line.
    change : Change
        What differs.

    Returns
    -------
    str

    Examples
    --------
    >>> change_words(None, whatif.Change())
    'nothing changed'
    """
    if change.is_none:
        return "nothing changed"
    names, spans = line.study.network.towers["tower_id"], line.study.network.spans
    parts = [f"bond of {names[place]} open" for place in change.bonds]
    parts += [
        f"span {spans['from_tower_id'][place]}–{spans['to_tower_id'][place]} open" for place in change.spans
    ]
    parts += [f"footing of {names[place]} {plain(ohm)} Ω" for place, ohm in change.footings]
    return ", ".join(parts)

"""The network beside the condition: causes and evidence where the line as a ladder says more."""

import numpy as np
import pandas as pd

from towerlib.readings.causes import BOND_CAUSE, BOND_CAUSES, SPAN_CAUSE

GIVES_WAY = ("none", "too small to judge", "cannot tell", "ring or other earth path")
ADDED = """
    leg_share_expected no_coils_expected_ohm bond_ohm bond_state bond_evidence potential_rise_v fault_current_a
    safety_screen safety_evidence bond_scan bond_testable
""".split()


def join(condition, network):
    """Condition of the towers with what the network says of them.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as of `towerlib.condition.assess`.
    network : Network
        As of `towerlib.network.assess`, of the same towers.

    Returns
    -------
    pandas.DataFrame
        The same rows and order, with the columns of `ADDED`, and span_suspected: the far ends of the suspected
        spans that begin or end here, else blank. suspected_cause becomes ``bond: inspect`` or ``span: inspect``
        where nothing else was suspected; its evidence gets the numbers of the network in front.

    Notes
    -----
    A cause that is a flaw of the readings (a coil reversed, wrong turns, a weak leg) stands: the evidence of the
    bond goes in front of its own. What the readings alone said of a suspected bond gives way to the network's words.
    """
    told = network.towers[["tower_id", *ADDED, "bond_suspect", "bond_scan_evidence"]]
    table = condition.drop(columns=[name for name in ADDED if name in condition])
    table = table.merge(told, on="tower_id", how="left", validate="1:1").set_axis(condition.index)
    suspect = table["bond_suspect"].eq(True).fillna(False).astype(bool)
    scanned = table["bond_scan_evidence"].fillna("") != ""
    cause = table["suspected_cause"]
    raised = (suspect | scanned) & (cause.isna() | cause.isin(GIVES_WAY))
    news = np.where(suspect, table["bond_evidence"], table["bond_scan_evidence"])
    # what the readings alone say of the bond, the network says with more; everything else stays beside it
    before = table["evidence"].fillna("").mask(suspect & cause.isin(BOND_CAUSES), "")
    longer = pd.Series([f"{new} {old}".strip() for new, old in zip(news, before, strict=True)], table.index)
    table = table.assign(
        suspected_cause=cause.mask(raised, BOND_CAUSE),
        evidence=table["evidence"].mask(suspect | scanned, longer),
    ).drop(columns=["bond_suspect", "bond_scan_evidence"])
    return _with_spans(table, network.spans)


def _with_spans(table, spans):
    """Both towers of a suspected span are told of it."""
    beside = spans[spans["span_scan"] == "suspected"]
    pairs = pd.concat(
        [
            beside.set_axis(["tower_id", "far", *beside.columns[2:]], axis=1),
            beside.set_axis(["far", "tower_id", *beside.columns[2:]], axis=1),
        ]
    )
    by_tower = pairs.groupby("tower_id", sort=False)
    far = table["tower_id"].map(by_tower["far"].agg(", ".join)).astype("str").fillna("")
    told = table["tower_id"].map(by_tower["span_evidence"].first()).astype("str").fillna("")
    here = far != ""
    words = "Span to tower " + far + ": " + told + " " + table["evidence"].fillna("")
    cause = table["suspected_cause"]
    return table.assign(
        span_suspected=far,
        suspected_cause=cause.mask(here & (cause.isna() | cause.isin(GIVES_WAY)), SPAN_CAUSE),
        evidence=table["evidence"].mask(here, words.str.strip()),
    )

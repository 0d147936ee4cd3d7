"""Signs besides the footing: bonds, leakage gaps, and what the crew saw."""

import numpy as np
import pandas as pd

from towerlib.changes.rows import rows
from towerlib.values import number

SUSPECT, SOUND = ("worn", "open suspected"), ("sound",)
BROKEN = ("damaged", "missing")
LEGS_ALONE = "legs alone"


def leg_shares(both):
    """Bonds that the injected test suspects now and did not before, or the other way round.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    list of pandas.DataFrame

    Notes
    -----
    Both the verdict on the bond and the share of the injected current in the legs must have changed, the share
    by ``jump_z`` standard uncertainties of both.
    """
    z, u = _z(both, "leg_share_lambda", both["leg_share_u_now"], both["leg_share_u_before"])
    states = (both["bond_state_before"], both["bond_state_now"])
    return _told(
        both,
        z,
        (states[0].isin(SOUND) & states[1].isin(SUSPECT), states[0].isin(SUSPECT) & states[1].isin(SOUND)),
        {
            "quantity": "share of the injected current in the legs",
            "unit": "%",
            "before": 100 * both["leg_share_lambda_before"],
            "after": 100 * both["leg_share_lambda_now"],
            "uncertainty": 100 * u,
            "state_before": states[0],
            "state_after": states[1],
            "date_before": both["cause_date_before"],
            "date_after": both["cause_date_now"],
        },
        "Share of the injected current in the legs {way} from {before:.0f} % to {after:.0f} %: bond {state_before}, "
        "now {state_after}.",
    )


def gaps(both):
    """Leakage gaps that opened or closed at towers whose legs are the only path to earth.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    list of pandas.DataFrame

    Notes
    -----
    gap = arithmetic sum of the leg currents − their vector total; an indicator, not a fault. It counts as part of
    the sum, since the currents themselves follow the load of the line; and only where its lower bound left or
    reached 0, since a gap that is wide in both months moves with the load.
    """
    parts = [both[f"gap_u_ma_{end}"] / both[f"leakage_sum_ma_{end}"] for end in ("now", "before")]
    z, u = _z(both, "gap_fraction", *parts)
    alone = (both["peer_class_now"] == LEGS_ALONE) & (both["peer_class_before"] == LEGS_ALONE)
    wide = [both[f"gap_fraction_low_{end}"] > 0 for end in ("before", "now")]
    return _told(
        both,
        z.where(alone),
        (~wide[0] & wide[1], wide[0] & ~wide[1]),
        {
            "quantity": "leakage gap, part of the sum",
            "unit": "%",
            "before": 100 * both["gap_fraction_before"],
            "after": 100 * both["gap_fraction_now"],
            "uncertainty": 100 * u,
            "date_before": both["leakage_date_before"],
            "date_after": both["leakage_date_now"],
        },
        "Leakage gap {way} from {before:.0f} % to {after:.0f} % of the sum of the leg currents, "
        "{z:.1f} standard uncertainties of both: an indicator, not a fault.",
    )


def seen(both):
    """What the crew saw otherwise than before: leads missing, and the bond.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    list of pandas.DataFrame
        Where both months know; such a change has no uncertainty, it is as good as the look.

    Notes
    -----
    Corrosion does not count: two looks at the same rust differ by a grade too often, and rust does not go back.
    Where it moves a tower to another queue, that is told there.
    """
    facts = [
        ("leads missing", "leads_missing", lambda column: column.astype(float)),
        ("shield-wire bond", "bond_seen", lambda column: _grade(column, ("sound",), BROKEN)),
    ]
    found = []
    for quantity, name, graded in facts:
        before, after = both[f"{name}_before"], both[f"{name}_now"]
        step = graded(after) - graded(before)
        words = [_worded(column) for column in (before, after)]
        for kind, chosen in (("worsened", step > 0), ("improved", step < 0)):
            sentences = [
                f"Seen by the crew: {quantity} {late}, before {early}."
                for early, late in zip(words[0][chosen], words[1][chosen], strict=True)
            ]
            states = {"state_before": words[0][chosen], "state_after": words[1][chosen]}
            found.append(rows(kind, both["tower_id"][chosen], sentences, quantity=quantity, **states))
    return found


def _z(both, name, u_now, u_before):
    """Change of a quantity in standard uncertainties of both readings, and their joint uncertainty."""
    u = np.hypot(u_now, u_before)
    return (both[f"{name}_now"] - both[f"{name}_before"]) / u.where(u > 0), u


def _told(both, z, turned, figures, template):
    """Rows of a quantity whose rise is bad: where its verdict turned and the change is beyond both readings."""
    found = []
    beyond = (z >= number("jump_z"), z <= -number("jump_z"))
    for kind, way, chosen in (
        ("worsened", "up", turned[0] & beyond[0]),
        ("improved", "down", turned[1] & beyond[1]),
    ):
        chosen = chosen.fillna(False).astype(bool)
        part = {name: value if isinstance(value, str) else value[chosen] for name, value in figures.items()}
        part |= {"z": z[chosen]}
        table = rows(kind, both["tower_id"][chosen], [""] * int(chosen.sum()), **part)
        sentences = [
            template.format(**(row | {"way": way, "z": abs(row["z"])})) for row in table.to_dict("records")
        ]
        found.append(table.assign(sentence=pd.array(sentences, dtype="str")))
    return found


def _grade(column, good, bad):
    """0 for good, 1 for bad, blank for anything else."""
    return pd.Series(np.select([column.isin(good), column.isin(bad)], [0.0, 1.0], np.nan), column.index)


def _worded(column):
    """What was seen, in words."""
    if pd.api.types.is_numeric_dtype(column):
        return column.map(lambda count: f"{count:.0f}", na_action="ignore").astype("str")
    return column.astype("str")

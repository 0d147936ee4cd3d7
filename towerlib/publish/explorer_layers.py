"""What the page can show of each tower: layers, their classes, and the class of every value."""

import numpy as np
from matplotlib.colors import to_hex

from towerlib.publish import explorer_history, explorer_outlook, markers, shown
from towerlib.publish.explorer_marks import NOT_TESTED, Layer, Look, by_share, class_look, placed, round_rows
from towerlib.publish.lettering import plain
from towerlib.publish.style import COLOURS


def layers(study):
    """All layers that the study has something to say of, and why the others are missing.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    found : list of Layer
    missing : dict of str to str
        Name of a layer to the reason.
    """
    visits, condition = study.grades.visits, study.condition
    footings = explorer_history.footings(visits, condition, study.line.seasons, study.month)
    verdicts = explorer_history.verdicts(visits, footings, study.month)
    found = [impedance(footings, condition), gap(visits, study)]
    found += [explorer_outlook.trip_outs(study), explorer_outlook.plan(study), verdict(verdicts, condition)]
    found.append(explorer_outlook.suspicion(study))
    missing = {layer[0]: layer[1] for layer in found if isinstance(layer, tuple)}
    return [layer for layer in found if isinstance(layer, Layer)], missing


def impedance(changes, condition):
    """Footing impedance against target and limit.

    Parameters
    ----------
    changes : pandas.DataFrame
        As `explorer_history.footings` gives it.
    condition : pandas.DataFrame
        One row a tower, in route order.

    Returns
    -------
    Layer
    """
    words = {
        name: f", up to {plain(ohm[0])} Ω" if len(ohm := condition[column].dropna().unique()) == 1 else ""
        for name, column in (("good", "target_ohm"), ("acceptable", "limit_ohm"))
    }
    looks = (
        NOT_TESTED,
        class_look("good", "circle", "good" + words["good"]),
        class_look("acceptable", "square", "acceptable" + words["acceptable"]),
        Look("lower bound only: at least this", "diamond_dot", to_hex(COLOURS(0.5)), 1.5, True),
        class_look("above limit", "triangle"),
        Look("above limit, lower bound: at least this", "triangle_dot", to_hex(COLOURS(0.95)), 1.7, True),
    )
    towers = condition.set_index("tower_id")
    target, limit = (
        changes["tower_id"].map(towers[name]).astype("float64") for name in ("target_ohm", "limit_ohm")
    )
    above, bounded = changes["value"] > limit, changes["bounded"]
    kind = np.select([above & bounded, above, bounded, changes["value"] <= target], [5, 4, 3, 1], default=2)
    return Layer(
        key="impedance",
        name="Footing impedance",
        meaning="Footing impedance [Ω, ohm]: what the tower's own footing sets against a current into the earth, "
        "without the help of the shield wires. The newest usable reading of the footing alone stands. A dot in "
        "the mark: only a lower bound is known, read with the shield wires in parallel or beyond the range. "
        "Bar: interval that instrument and season leave open. Target and limit are those of today's rule.",
        axis="Footing impedance [Ω]",
        unit="Ω",
        looks=looks,
        changes=placed(changes.assign(kind=kind), condition),
        rows=round_rows(changes[["value", "low", "high"]], condition[["target_ohm", "limit_ohm"]]),
        log=True,
        dated=True,
        steps=tuple((name, condition[f"{name}_ohm"].to_numpy("float64")) for name in ("target", "limit")),
    )


def gap(visits, study):
    """Gap over the arithmetic sum of the leg currents.

    Parameters
    ----------
    visits : pandas.DataFrame
        With their verdicts.
    study : Assessment

    Returns
    -------
    Layer
    """
    changes = explorer_history.gaps(visits, study.currents, study.month)
    changes = changes[changes["value"].notna()]
    starts = [start for start, _ in markers.BANDS.values()][1:]
    ringed = changes["tower_id"].map(study.condition.set_index("tower_id")["ring"]).eq(True).fillna(False)
    kind = np.where(ringed.astype(bool), 1, 1 + np.searchsorted(starts, changes["value"], side="right"))
    shapes = ("inverted_triangle", "circle", "square", "triangle")
    bands = list(markers.BANDS.items())[1:]
    looks = (
        Look("not measured", "circle_x", "", 0.9),
        Look("ring joins the legs: says nothing of the bond", "hex", "#b3b3b3", 1.2),
        *(
            Look(f"fraction {name}", shape, to_hex(mark.colour), mark.size)
            for shape, (name, (_, mark)) in zip(shapes, bands, strict=True)
        ),
    )
    least = float(np.nanmin([changes["value"].min(), 0.0]))
    return Layer(
        key="gap",
        name="Leakage gap",
        meaning="Gap fraction: the gap over the arithmetic sum of the leg currents, a number without unit. "
        f"{shown.GAP_MEANING[0].upper()}{shown.GAP_MEANING[1:]} Leakage currents are read in service, mA. The "
        "bands are there to tell marks apart; they are no limits. Bar: down to the low end of the fraction.",
        axis=shown.GAP_FRACTION,
        unit="of the sum",
        looks=looks,
        changes=placed(changes.assign(kind=kind), study.condition),
        rows={
            round(number, 1): plain(round(number, 1))
            for number in np.arange(np.floor(5 * least) / 5, 1.01, 0.2)
        },
        dated=True,
    )


def verdict(changes, condition):
    """Whether the reading that stands can be trusted.

    Parameters
    ----------
    changes : pandas.DataFrame
        As `explorer_history.verdicts` gives it.
    condition : pandas.DataFrame
        One row a tower, in route order.

    Returns
    -------
    Layer
    """
    looks = (
        NOT_TESTED,
        by_share("usable", "circle", 0.08, 1.0),
        by_share("usable with caution", "square", 0.5),
        by_share("not usable", "triangle", 0.95, 1.6),
    )
    kind = changes["verdict"].map({look.label: place for place, look in enumerate(looks)})
    changes = changes.assign(kind=kind, value=kind.astype("float64"), low=np.nan, high=np.nan)
    return Layer(
        key="verdict",
        name="Verdict on the reading",
        meaning="Verdict: whether the reading that stands can be trusted, by the quality rules that are applied to "
        "every visit. Not usable: the tower was visited, and no reading of its footing passed.",
        axis="Verdict",
        unit="",
        looks=looks,
        changes=placed(changes, condition),
        rows={1.0: "usable", 2.0: "usable with\ncaution", 3.0: "not usable"},
        dated=True,
    )

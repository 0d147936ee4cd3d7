"""What ambient currents and injected tests can show of a line as a network, and what they cannot."""

from textwrap import fill

import numpy as np

CAN = (
    "Current in service: the load induces a current in the shield wires. Where it is the same in all spans, as on a "
    "stretch of one arrangement, the footings carry none of it, whatever their resistance and whatever the state "
    "of the bonds. What a tower does carry comes from places where the induction changes.",
    "An open span is such a place: the whole induced current, amperes, goes to earth at the towers beside it, and less "
    "from tower to tower. That shows in service alone. A transposition, another arrangement of the conductors, a tee "
    "or a line end does the same to a sound line.",
    "Usual sizes: milliamperes to tens of milliamperes mid-line; 0.1 to 2 A near stations, transpositions, changes "
    "of arrangement and broken wires; more beside double circuits with equal phasing. Clean insulators leak "
    "tenths of a milliampere. These are figures of our own models; we know of no published ones.",
)
CANNOT = (
    "An open bond mid-line changes hardly anything in service: a tower that carries little with its bond carries "
    "little without. Low totals where neighbours carry much are a hint, no more; a lost footing looks the "
    "same. A zero gap is no proof of a good bond either.",
    "More visits in service do not help: what differs from span to span is the same every time. The load is not "
    "known, so only readings of one round are compared.",
    "The gap in milliamperes is the weakest sign: a ring or counterpoise that joins the legs makes it large with a sound "
    "bond. That a wide gap hints at a bond is reasoned from a model; we know of no printed rule.",
)
TEST = (
    "The injected test decides: with a sound bond the legs take some 0.05 to 0.3 of the current, without one all "
    "of it. Of two shield wires one bond is enough to look sound. Without coils a tower with an open bond reads "
    "its own footing; beside an open span two neighbours read nearly twice as much, which fades from tower to "
    "tower. A worn bond of a few ohms looks like an open span at one tower; the neighbours tell.",
)


def ambient_text(width=110):
    """What currents in service can and cannot show, and what the injected test adds, in plain words.

    Parameters
    ----------
    width : int
        Characters of a line.

    Returns
    -------
    str

    Notes
    -----
    Sizes by own ladder models; no published currents of footings in service are known to us.

    Examples
    --------
    >>> ambient_text().startswith("What currents in service can show")
    True
    """
    parts = {
        "What currents in service can show": CAN,
        "What they cannot": CANNOT,
        "What the injected test adds": TEST,
    }
    lines = []
    for head, sentences in parts.items():
        lines += [head, *(fill(f"- {words}", width, subsequent_indent="  ") for words in sentences)]
    return "\n".join(lines)


def ambient_on_line(network, width=110):
    """What the readings of one line could have shown of its bonds and spans, in sentences.

    Parameters
    ----------
    network : Network
        As of `towerlib.network.assess`.
    width : int
        Characters of a line.

    Returns
    -------
    str
    """
    bonds, spans = network.towers["bond_scan"], network.spans["span_scan"]
    if (bonds == "").all() and (spans == "").all():
        return "\n".join(fill(words, width) for words in network.off) or "The scan of the line is off."
    read = network.towers["leg_share_measured"].notna().to_numpy()
    shown = network.towers["bond_testable"].eq(True).fillna(False).to_numpy(bool)
    asked = network.towers["bond_testable"].notna().to_numpy(bool)
    words = [
        f"On this line an open span would show in {_of(spans != 'not testable')} spans, an open bond at "
        f"{_of(shown[asked])} towers with a bond.",
        f"{np.count_nonzero(read)} towers have an injected test that speaks of their own bond; of the other "
        f"{np.count_nonzero(asked & ~read)} an open bond would show at {np.count_nonzero(shown & ~read)}.",
    ]
    return "\n".join(fill(one, width) for one in words)


def _of(true):
    """How many of how many."""
    return f"{int(np.count_nonzero(true))} of {len(true)}"

"""Panel of a tower's picture: how much of an injected current the legs took, at each visit."""

import numpy as np

from towerlib.publish import lettering, markers, page, scales, style
from towerlib.publish.tower_history import FILLS
from towerlib.publish.tower_layout import LEFT_MM, WIDE_MM, head_and_words, missing
from towerlib.readings.causes import DOUBTFUL_COILS
from towerlib.values import number

USUAL = 0.05, 0.3  # with a sound bond; own ladder model, as `leg_share_suspect` of the values table
AXIS_MM = 6  # room for the numbers below
NEWEST_Y, OLDER_Y = 0.68, 0.22  # rows of the panel, so that the newest can be named
HEAD = "Injected test: share of the current in the legs"
NO_SHARE = (
    "No share of an injected current is known (visits.csv: injected_ma and legs_ma, or both impedances)."
)
MEANING = (
    "A share of 0.05 to 0.3 is usual with a sound bond, 1 without one. Spans broken nearby, a footing under "
    "about 1 Ω and a test at some kHz raise it."
)
WARNINGS = {
    "ring or other path": "A ring, or other paths beside the coils: the share may read low.",
    "no bonded wire": "No shield wire is bonded here by design: a share of 1 is what to expect.",
}
DOUBTFUL = "The newest visit's coils are in doubt, and with them its share."


def draw_share(figure, place, found):
    """Draw the share of the injected current in the legs at each visit, the newest large and named.

    Parameters
    ----------
    figure, place, found : matplotlib.figure.Figure, (float, float), Case
        As for `towerlib.publish.tower_panels.draw_legs`.
    """
    if not has_share(found):
        missing(figure, place, HEAD, NO_SHARE)
        return
    read = found.currents[found.currents["leg_share_lambda"].notna()]
    newest = read.iloc[-1]
    verdicts = found.visits.set_index("visit_id").loc[read["visit_id"], "footing_verdict"]
    top = head_and_words(figure, place, HEAD, _words(newest)) - page.LINE_MM
    axes = page.panel(figure, LEFT_MM, place[0] + AXIS_MM, WIDE_MM, top - place[0] - AXIS_MM)
    axes.set(xlim=(0, max(1.15, 1.1 * read["leg_share_lambda"].max())), ylim=(0, 1), yticks=[])
    axes.spines["left"].set_visible(False)
    scales.linear_axis(axes.xaxis, 8)
    _draw_marks(axes, read["leg_share_lambda"].to_numpy(), verdicts.map(FILLS).to_numpy())
    _draw_lines(axes)
    _name(axes, newest)


def has_share(found):
    """Whether the tower has a share of an injected current to draw."""
    return bool(found.currents["leg_share_lambda"].notna().any())


def _words(newest):
    """What stands against the newest share."""
    doubtful = newest["suspected_cause"] in DOUBTFUL_COILS
    return " ".join(filter(None, [WARNINGS.get(newest["peer_class"], ""), DOUBTFUL if doubtful else ""]))


def _draw_marks(axes, shares, fills):
    """Draw one marker a visit, filled by its verdict: the newest large and above the others."""
    mark, last = markers.Mark("o", "white", 1.2), len(shares) - 1
    for row, (share, fill) in enumerate(zip(shares, fills, strict=True)):
        looks = {"size": 7 if row == last else 4, "name": f"share {row}", "c": [fill]}
        markers.dots(axes, [share], [NEWEST_Y if row == last else OLDER_Y], mark, **looks)


def _draw_lines(axes):
    """Draw what is usual, from where the bond is suspect, and what is without one, named at the upper edge."""
    suspect = number("leg_share_suspect")
    axes.axvspan(*USUAL, color=style.FAINT, alpha=0.4, linewidth=0, zorder=1)
    axes.axvline(suspect, color=style.INK, linewidth=0.8, linestyle="--", zorder=2)
    axes.axvline(1.0, color=style.INK, linewidth=0.8, zorder=2)
    looks = {"xycoords": axes.get_xaxis_transform(), "textcoords": "offset points"}
    looks |= {"va": "bottom", "ha": "center", "fontsize": style.SMALL_PT}
    names = {np.mean(USUAL): "usual with a sound bond", suspect: "bond suspect from here", 1.0: "no bond"}
    for share, text in names.items():
        axes.annotate(text, (share, 1.0), (0, 1.5), **looks)


def _name(axes, newest):
    """Write the newest share and its day beside the marker, on the side where no line crosses them."""
    share = newest["leg_share_lambda"]
    left = 0.27 < share < number("leg_share_suspect") or share > 0.73
    looks = {"textcoords": "offset points", "fontsize": style.SMALL_PT, "va": "center"}
    words = f"{lettering.plain(round(share, 2))} on {newest['date']:%Y-%m-%d}"
    axes.annotate(words, (share, NEWEST_Y), (-8 if left else 8, 0), ha="right" if left else "left", **looks)

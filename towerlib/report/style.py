"""How every picture looks: type, colours, and how it is saved."""

from dataclasses import dataclass

import matplotlib as mpl
import matplotlib.style
import numpy as np
from matplotlib.lines import Line2D
from matplotlib.markers import MarkerStyle
from matplotlib.patches import Patch
from matplotlib.path import Path

TITLE_PT, TEXT_PT, SMALL_PT = 10, 8, 7
DPI = 200
INK, FAINT = "#222222", "#8c8c8c"
ALARM = "#c1121f"  # a suspected span; its stroke and its words say the same
PNG = {"dpi": DPI, "metadata": {"Software": None}}  # savefig arguments: the same bytes every time

RC = {
    "font.family": "DejaVu Sans",
    "font.size": TEXT_PT,
    "text.parse_math": False,  # a tower may be called `12$`
    "text.color": INK,
    "axes.formatter.use_mathtext": False,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.labelsize": TEXT_PT,
    "axes.linewidth": 0.6,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "legend.fontsize": SMALL_PT,
    "legend.frameon": False,
}

COLOURS = mpl.colormaps["viridis_r"].with_extremes(bad="#b3b3b3", under="#e6e6e6")  # the worse, the darker
CONTEXT = ["#9ecae1", "#c7c7c7", "#c9d8b6", "#d8c3a5"]  # layers under a map


def tint(colour):
    """Lighter colour for areas, on which black lines stay visible.

    Parameters
    ----------
    colour : colour
        Any that Matplotlib takes.

    Returns
    -------
    tuple of float
        Red, green, blue from 0 to 1.

    Examples
    --------
    >>> print(*tint("black"))
    0.45 0.45 0.45
    """
    return tuple(0.45 + 0.55 * np.asarray(mpl.colors.to_rgb(colour)))


def house():
    """House style for every picture, whatever the caller's own is.

    Returns
    -------
    context manager
        Matplotlib's defaults with the house style on top; undone on leaving.

    Examples
    --------
    >>> with house():
    ...     mpl.rcParams["font.family"]
    ['DejaVu Sans']
    """
    return matplotlib.style.context(["default", RC])


@dataclass(frozen=True)
class Mark:
    """Shape, colour and size of one class of towers."""

    shape: object
    colour: object
    size: float = 1.0


ARROW = Path([(-0.3, -1), (0.3, -1), (0.3, 0.1), (0.8, 0.1), (0, 1), (-0.8, 0.1), (-0.3, 0.1), (-0.3, -1)])
STANDING = Path(ARROW.vertices + np.array([0, 1]))  # the same with its foot on the value
TICK = Path([(0, -1), (0, 1)])
MARKS = {
    "not tested": Mark("o", "white", 0.8),
    "good": Mark("o", COLOURS(0.08)),
    "acceptable": Mark("s", COLOURS(0.5), 1.1),
    "lower bound only": Mark(ARROW, COLOURS(0.7), 1.8),
    "above limit": Mark("^", COLOURS(0.95), 1.6),
    "above limit, lower bound": Mark(ARROW, COLOURS(0.95), 2.0),
}
BOUNDED = ["lower bound only", "above limit, lower bound"]

BANDS = {  # of the gap fraction, by the value they start at: shapes to tell apart on a map, no limits
    "not measured": (np.nan, MARKS["not tested"]),
    "below 0": (-np.inf, Mark("v", COLOURS.get_under(), 1.2)),
    "0 to 0.2": (0.0, Mark("o", COLOURS(0.08))),
    "0.2 to 0.5": (0.2, Mark("s", COLOURS(0.35), 1.1)),
    "0.5 and more": (0.5, Mark("^", COLOURS(0.8), 1.6)),
}


def ringed(shape):
    """Marker with a circle round it, for a tower whose ring or counterpoise joins the legs.

    Parameters
    ----------
    shape : str or matplotlib.path.Path
        Marker inside.

    Returns
    -------
    matplotlib.path.Path
        One marker, so one tower stays one marker.
    """
    marker, circle = MarkerStyle(shape), Path.unit_circle()
    inside = marker.get_path().transformed(marker.get_transform())
    hole = Path(0.84 * circle.vertices[::-1], circle.codes)  # turned round, so that the fill leaves it out
    return Path.make_compound_path(circle, hole, Path(0.9 * inside.vertices, inside.codes))


RINGS = {
    "no ring recorded": Mark("o", COLOURS(0.75)),
    "ring or counterpoise joins the legs": Mark(ringed("o"), COLOURS(0.3), 1.5),
}


def dots(axes, x, y, mark, *, size=4.5, name="", **looks):
    """Towers of one class as markers (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel.
    x, y : array
        Places, in the panel's units.
    mark : Mark
        Shape, colour and size.
    size : float
        Diameter of a marker of size 1 [pt].
    name : str
        Name of the class, kept with the markers.

    Returns
    -------
    matplotlib.collections.PathCollection
    """
    looks = {
        "c": [mark.colour],
        "edgecolors": INK,
        "linewidths": 0.5 if size > 4 else 0.3,
        "zorder": 5,
    } | looks
    drawn = axes.scatter(x, y, s=(size * mark.size) ** 2, marker=mark.shape, label=name, **looks)
    drawn.set_gid(f"towers: {name}")
    return drawn


def entry(mark, label, size=4.5):
    """Legend entry of one class of towers, drawn as `dots` draws it.

    Parameters
    ----------
    mark : Mark
        Shape, colour and size.
    label : str
        Words of the entry.
    size : float
        Diameter of a marker of size 1 [pt].

    Returns
    -------
    matplotlib.lines.Line2D
    """
    looks = {"markerfacecolor": mark.colour, "markeredgecolor": INK, "markeredgewidth": 0.5}
    return Line2D([], [], linestyle="", marker=mark.shape, markersize=size * mark.size, label=label, **looks)


def area(colour, label):
    """Legend entry of a bar.

    Parameters
    ----------
    colour : colour
        Of the bar.
    label : str
        Words of the entry.

    Returns
    -------
    matplotlib.patches.Patch
    """
    return Patch(facecolor=colour, edgecolor=INK, linewidth=0.5, label=label)


def fill(name):
    """Colour of the bar of a class: a lower bound stays hollow.

    Parameters
    ----------
    name : str
        Key of `MARKS`.

    Returns
    -------
    colour

    Examples
    --------
    >>> fill("lower bound only")
    'white'
    """
    return "white" if name in BOUNDED else tint(MARKS[name].colour)

"""How every picture looks: type, colours, and how it is saved."""

import matplotlib as mpl
import matplotlib.style
import numpy as np

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

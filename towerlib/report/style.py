"""How every output looks: one table of classes with colour, marker and label, and the type of the pictures.

`CLASSES`, `QUEUES`, `VERDICTS`, `BONDS`, `GAPS`, `RATES`, `SPANS` and `years` are read by the maps and charts, the
explorer, the workbook and the GIS layers, so a class has the same mark in each of them. Colours come from a perceptually
uniform scale, the worse the darker; shape and label carry the meaning too. The rest of the module holds the type of the
pictures and how they are saved.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import matplotlib.style
import numpy as np
from matplotlib.colors import to_hex, to_rgb
from matplotlib.lines import Line2D
from matplotlib.markers import MarkerStyle
from matplotlib.patches import Patch
from matplotlib.path import Path

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import PathCollection
    from matplotlib.typing import ColorType
    from numpy.typing import ArrayLike

TITLE_PT, TEXT_PT, SMALL_PT = 10, 8, 7
DPI = 200
INK, FAINT = "#222222", "#8c8c8c"
ALARM = "#c1121f"  # a suspected span; its stroke and its words say the same
PNG: dict[str, Any] = {
    "dpi": DPI,
    "metadata": {"Software": None},
}  # savefig arguments: the same bytes every time

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


def tint(colour: ColorType) -> tuple[float, float, float]:
    """Lighter colour (red, green, blue from 0 to 1) for areas, on which black lines stay visible.

    >>> print(*tint("black"))
    0.45 0.45 0.45
    """
    red, green, blue = (0.45 + 0.55 * part for part in to_rgb(colour))
    return red, green, blue


def house() -> AbstractContextManager[None]:
    """House style for every picture, whatever the caller's own is; undone on leaving.

    >>> with house():
    ...     mpl.rcParams["font.family"]
    ['DejaVu Sans']
    """
    return matplotlib.style.context(["default", RC])


@dataclass(frozen=True)
class Mark:
    """Shape, colour and size of one class of towers, as Matplotlib draws it."""

    shape: str | Path
    colour: ColorType
    size: float = 1.0


def ringed(shape: str | Path) -> Path:
    """Marker with a circle round it, for a tower whose ring or counterpoise joins the legs."""
    marker, circle = MarkerStyle(shape), Path.unit_circle()
    inside = marker.get_path().transformed(marker.get_transform())
    hole = Path(0.84 * _corners(circle)[::-1], circle.codes)  # turned round, so that the fill leaves it out
    return Path.make_compound_path(circle, hole, Path(0.9 * _corners(inside), inside.codes))


def dotted(shape: str) -> Path:
    """Marker with a hole in its middle: the value is a limit, not a reading of the footing."""
    marker, circle = MarkerStyle(shape), Path.unit_circle()
    outside = marker.get_path().transformed(marker.get_transform())
    turn = 1 if _runs_clockwise(outside) else -1  # against the outline, so that the fill leaves it out
    low = -0.12 if shape == "^" else 0.0  # the middle of a triangle lies below that of its box
    hole = Path(0.2 * _corners(circle)[::turn] + [0.0, low], circle.codes)
    return Path.make_compound_path(outside, hole)


def _corners(outline: Path) -> np.ndarray:
    """Corners of an outline, shape (n, 2)."""
    return np.asarray(outline.vertices, float)


def _runs_clockwise(outline: Path) -> bool:
    """Whether the corners of an outline follow one another clockwise."""
    x, y = _corners(outline)[:-1].T
    return bool(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) < 0)


def _crossed(outline: Path, arm: float) -> Path:
    """Outline with a cross in it, its arms so long in each direction."""
    cross = Path([(-arm, -arm), (arm, arm), (-arm, arm), (arm, -arm)], [1, 2, 1, 2])
    return Path.make_compound_path(Path(outline.vertices, outline.codes), cross)


@dataclass(frozen=True)
class Shape:
    """One marker under the names that each medium has for it; QGIS stacks several. Blank: not drawn there."""

    matplotlib: str | Path
    bokeh: str = ""
    qgis: tuple[str, ...] = ()


SQUARE = Path([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)], [1, 2, 2, 2, 79])
SHAPES = {
    "circle": Shape("o", "circle", ("circle",)),
    "circle with cross": Shape(_crossed(Path.unit_circle(), 0.6), "circle_x", ("circle", "cross2")),
    "square": Shape("s", "square", ("square",)),
    "square with cross": Shape(_crossed(SQUARE, 1.0), "square_x", ("square", "cross2")),
    "triangle": Shape("^", "triangle", ("triangle",)),
    "triangle with dot": Shape(dotted("^"), "triangle_dot", ("triangle", "circle")),
    "diamond": Shape("D", "diamond", ("diamond",)),
    "diamond with dot": Shape(dotted("D"), "diamond_dot", ("diamond", "circle")),
    "inverted triangle": Shape("v", "inverted_triangle"),
    "hexagon": Shape("h", "hex", ("hexagon",)),
    "star": Shape("*", "star", ("star",)),
    "plus": Shape("P", "plus", ("cross_fill",)),
}


@dataclass(frozen=True)
class Look:
    """How one class or queue looks in every output: maps, charts, explorer, workbook, GIS layers.

    `label`: Words of every legend; `shape`: Key of `SHAPES`; `colour`: ``#rrggbb``; `HOLLOW` stays empty; `size`:
    Against a plain circle; `bounded`: Whether the value is a lower limit only.
    """

    label: str
    shape: str
    colour: str
    size: float = 1.0
    bounded: bool = False

    @property
    def mark(self) -> Mark:
        """The look as Matplotlib draws it."""
        return Mark(SHAPES[self.shape].matplotlib, self.colour, self.size)


@dataclass(frozen=True)
class Stroke:
    """How one class of spans looks: words, colour, width [mm], name of the dashes in QGIS."""

    label: str
    colour: str
    width_mm: float
    dashes: str


def scaled(share: float) -> str:
    """Colour of the scale of urgency as ``#rrggbb``: 0 the mildest, 1 the worst and darkest.

    >>> scaled(1.0)
    '#440154'
    """
    return to_hex(COLOURS(share))


HOLLOW = "#ffffff"
NO_VERDICT = "#b3b3b3"  # measured, and nothing follows from it
NOT_TESTED = Look("not tested", "circle with cross", HOLLOW, 1.1)
CLASSES = {  # kind of a tower by its footing, the worst last
    "not tested": NOT_TESTED,
    "good": Look("good", "circle", scaled(0.08)),
    "acceptable": Look("acceptable", "square", scaled(0.5), 1.1),
    "upper limit only": Look("upper limit only", "diamond", scaled(0.6), 1.2),
    "lower limit only": Look("lower limit only", "diamond with dot", scaled(0.7), 1.5, bounded=True),
    "above limit": Look("above limit", "triangle", scaled(0.95), 1.5),
    "above limit, lower limit only": Look(
        "above limit, lower limit only", "triangle with dot", scaled(0.95), 1.8, bounded=True
    ),
}
BOUNDED = [name for name, look in CLASSES.items() if look.bounded]
GAPS = {  # of the gap fraction, with the value they start at: shapes to tell apart, no limits
    "not measured": (np.nan, Look("gap not measured", "circle with cross", HOLLOW, 1.1)),
    "below 0": (-np.inf, Look("gap fraction below 0", "inverted triangle", "#e6e6e6", 1.2)),
    "0 to 0.2": (0.0, Look("gap fraction 0 to 0.2", "circle", scaled(0.08))),
    "0.2 to 0.5": (0.2, Look("gap fraction 0.2 to 0.5", "square", scaled(0.35), 1.1)),
    "0.5 and more": (0.5, Look("gap fraction 0.5 and more", "triangle", scaled(0.8), 1.5)),
}
RING = Look("ring joins the legs", "hexagon", NO_VERDICT, 1.2)
QUEUES = {  # why a tower is on the priority list, the most urgent first
    "safety": Look("safety: check touch voltage on site", "star", scaled(0.97), 1.9),
    "repair": Look("repair", "triangle", scaled(0.8), 1.6),
    "bond": Look("bond: inspect", "diamond", scaled(0.55), 1.45),
    "footing": Look("footing: treatment", "square", scaled(0.3), 1.2),
    "retest": Look("retest", "hexagon", scaled(0.08), 1.2),
    "none": Look("nothing to do now", "circle", HOLLOW, 0.7),
}
VERDICTS = {  # whether the reading in force can be trusted
    "not tested": NOT_TESTED,
    "usable": Look("usable", "circle", scaled(0.08)),
    "usable with caution": Look("usable with caution", "square", scaled(0.5), 1.1),
    "not usable": Look("not usable", "triangle", scaled(0.95), 1.5),
}
BONDS = {
    "not known": Look("bond not known", "circle with cross", HOLLOW, 1.1),
    "sound": Look("bond reads sound", "circle", scaled(0.08)),
    "worn": Look("bond reads worn", "square", scaled(0.5), 1.1),
    "scan": Look("open bond suspected from the whole line", "diamond", scaled(0.75), 1.4),
    "reading": Look("open bond suspected from its own reading", "triangle", scaled(0.95), 1.5),
}
RATES = {  # trip-out rate against the mean of the line, with the ratio they start at
    "not known": (np.nan, Look("no rate: footing or settings not known", "circle with cross", HOLLOW, 1.1)),
    "low": (0.0, Look("below half the mean of the line", "circle", scaled(0.08))),
    "below mean": (0.5, Look("half the mean to the mean", "square", scaled(0.35), 1.1)),
    "above mean": (1.0, Look("once to twice the mean", "diamond", scaled(0.65), 1.4)),
    "high": (2.0, Look("twice the mean and more", "triangle", scaled(0.95), 1.5)),
}
SPANS = {  # scan of a span for a broken shield wire
    "suspected": Stroke("shield wire suspected broken: inspect", ALARM, 1.6, "dash"),
    "not testable": Stroke("not testable", FAINT, 0.5, "dot"),
    "none": Stroke("nothing suspected", FAINT, 0.4, "solid"),
}
NO_WORK = Look("no work planned", "circle", HOLLOW, 0.7)
YEAR_SHAPES = (
    "triangle",
    "square",
    "diamond",
    "inverted triangle",
    "hexagon",
    "star",
    "plus",
    "square with cross",
)


def years(last: int) -> dict[int, Look]:
    """Look of each year of a plan from 1 on, the first one the darkest.

    >>> [look.label for look in years(2).values()]
    ['year 1', 'year 2']
    """
    shades = np.linspace(0.95, 0.3, max(last, 2))
    return {
        year: Look(f"year {year}", YEAR_SHAPES[(year - 1) % len(YEAR_SHAPES)], scaled(shades[year - 1]), 1.4)
        for year in range(1, last + 1)
    }


ARROW = Path([(-0.3, -1), (0.3, -1), (0.3, 0.1), (0.8, 0.1), (0, 1), (-0.8, 0.1), (-0.3, 0.1), (-0.3, -1)])
STANDING = Path(np.asarray(ARROW.vertices, float) + np.array([0, 1]))  # with its foot on the value
OPEN_END = Mark(Path([(0, 0), (0, 1), (-0.25, 0.75), (0, 1), (0.25, 0.75)], [1, 2, 1, 2, 2]), FAINT, 4.0)
MARKS = {name: look.mark for name, look in CLASSES.items()}
RINGS = {
    "no ring recorded": Mark("o", COLOURS(0.75)),
    "ring or counterpoise joins the legs": Mark(ringed("o"), COLOURS(0.3), 1.5),
}


def dots(
    axes: Axes, x: ArrayLike, y: ArrayLike, mark: Mark, *, size: float = 4.5, name: str = "", **looks: Any
) -> PathCollection:
    """Towers of one class as markers, size 1 having a diameter [pt] (changes the axes)."""
    looks = {
        "c": [mark.colour],
        "edgecolors": INK,
        "linewidths": 0.5 if size > 4 else 0.3,
        "zorder": 5,
    } | looks
    drawn = axes.scatter(x, y, s=(size * mark.size) ** 2, marker=mark.shape, label=name, **looks)
    drawn.set_gid(f"towers: {name}")
    return drawn


def entry(mark: Mark, label: str, size: float = 4.5) -> Line2D:
    """Legend entry of one class of towers, drawn as `dots` draws it; size in points."""
    looks = {"markerfacecolor": mark.colour, "markeredgecolor": INK, "markeredgewidth": 0.5}
    return Line2D([], [], linestyle="", marker=mark.shape, markersize=size * mark.size, label=label, **looks)


def area(colour: ColorType, label: str, hatch: str = "") -> Patch:
    """Legend entry of a bar."""
    return Patch(facecolor=colour, edgecolor=INK, linewidth=0.5, label=label, hatch=hatch or None)


def hatch(name: str) -> str:
    """Hatching of the bar of a class: a lower limit only is hatched.

    >>> hatch("lower limit only"), hatch("good")
    ('////', '')
    """
    return "////" if CLASSES[name].bounded else ""


def fill(name: str) -> tuple[float, float, float]:
    """Colour of the bar of a class: its own, lighter, so that lines across the bar can be seen.

    >>> fill("good") == tint(CLASSES["good"].colour)
    True
    """
    return tint(CLASSES[name].colour)

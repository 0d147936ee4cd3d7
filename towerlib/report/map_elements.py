"""The page of a map: scale, frame, legend, scale bar, arrow to true north, chainage marks.

Lengths and north are true at the middle of the map, whatever the projection of the route.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from matplotlib.patches import Polygon, Rectangle
from pyproj import Geod, Transformer

from towerlib.report import layout, style
from towerlib.report.tower_marks import each
from towerlib.text import plain

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from pyproj import CRS

PAD_MM = 14  # between the route and the frame: room for labels
LEFT_MM = 19  # room for the numbers of the northing axis
RIGHT_MM = 7  # a number at the end of the easting axis reaches beyond the frame
AXIS_MM = 11  # room for the numbers of the easting axis
ROW_MM = 3.9  # height of one entry of the legend
KEY_MM = 30  # least height of the legend, the scales and the arrow where they are below the map
SIDE_MM = 66  # their width where they are beside it
LEAST_M = (1000, 250)  # extent of a route of one tower, east and north


@dataclass(frozen=True)
class Layout:
    """Where the map lies on the page [mm], its scale [grid m per mm] and its middle [grid m]."""

    beside: bool
    page_mm: float
    body_mm: float
    key_mm: float
    size_mm: tuple[float, float]
    m_per_mm: float
    centre: tuple[float, float]


def fit(places: np.ndarray, rows: int) -> Layout:
    """Layout with the larger scale for places on the grid [m]: legend below the map, or beside it."""
    low, high = places.min(0), places.max(0)
    wide, tall = np.maximum(high - low, LEAST_M)
    centre, gap = tuple(map(float, (low + high) / 2)), 2 * PAD_MM
    room = layout.WIDTH_MM - LEFT_MM - RIGHT_MM
    below = max(wide / (room - gap), tall / (150 - gap))
    beside = max(wide / (room - SIDE_MM - gap), tall / (205 - gap))
    if below <= beside:
        size, key = (room, max(tall / below + gap, 55)), max(KEY_MM, ROW_MM * rows)
        return Layout(False, layout.WIDTH_MM, size[1] + AXIS_MM + key, key, size, below, cast("Any", centre))
    size = (max(wide / beside + gap, 80), max(tall / beside + gap, 60 + ROW_MM * rows))
    width = LEFT_MM + size[0] + SIDE_MM + layout.MARGIN_MM
    return Layout(True, width, size[1] + AXIS_MM, 0, size, beside, cast("Any", centre))


def frame(figure: Figure, page: Layout, foot: float) -> Axes:
    """Panel of the map, to scale, with grid kilometres at its edges; `foot` of the body on the page [mm]."""
    axes = layout.new_panel(figure, LEFT_MM, foot + AXIS_MM + page.key_mm, *page.size_mm)
    half = np.array(page.size_mm) * page.m_per_mm / 2
    low, high = page.centre - half, page.centre + half
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), aspect="equal")
    axes.spines[["top", "right"]].set_visible(True)
    for axis, size, size_mm in zip((axes.xaxis, axes.yaxis), 2 * half, page.size_mm, strict=True):
        decimals = 0 if size > 8000 else 1 if size > 800 else 2
        steps = max(2, int(size_mm / 28))
        layout.linear_axis(axis, steps, lambda metres, digits=decimals: f"{metres / 1000:.{digits}f}")
    axes.set(xlabel="Easting [km]", ylabel="Northing [km]")
    return axes


def scales_corner(page: Layout, foot: float) -> tuple[float, float]:
    """Upper left corner of the scales, from the left and from the bottom [mm]; `foot` of the body [mm]."""
    if page.beside:
        return LEFT_MM + page.size_mm[0] + 7, foot + AXIS_MM + page.size_mm[1]
    return LEFT_MM + 85, foot + page.key_mm - 2


def m_per_mm(axes: Axes) -> float:
    """Metres on the grid for each millimetre on the page."""
    return np.ptp(axes.get_xlim()) / (axes.bbox.width / axes.figure.dpi * 25.4)


ELLIPSOID = Geod(ellps="WGS84")


def convergence_deg(crs: CRS, x: float, y: float) -> float:
    """Angle from true north to grid north at a place [m], clockwise: positive where grid north lies east [°].

    >>> import pyproj
    >>> print(round(convergence_deg(pyproj.CRS("EPSG:32636"), 500000.0, 5000000.0), 6))
    0.0
    """
    globe = Transformer.from_crs(crs, 4326, always_xy=True)
    longitude, latitude = globe.transform(x, y)
    steps = latitude + np.array([-0.001, 0.001])
    east, north = globe.transform([longitude, longitude], steps, direction="INVERSE")
    return float(np.degrees(np.arctan2(east[0] - east[1], north[1] - north[0]))) + 0.0


def grid_metres(crs: CRS, x: float, y: float, true_m: float) -> float:
    """Length on the grid [m] of a true length [m] from west to east about a place, by the WGS 84 ellipsoid.

    >>> import pyproj
    >>> print(round(grid_metres(pyproj.CRS("EPSG:32636"), 500000.0, 5000000.0, 10000.0), 1))
    9996.0
    """
    globe = Transformer.from_crs(crs, 4326, always_xy=True)
    longitude, latitude = globe.transform([x - true_m / 2, x + true_m / 2], [y, y])
    return true_m * true_m / ELLIPSOID.inv(longitude[0], latitude[0], longitude[1], latitude[1])[2]


def words(crs: CRS, x: float, y: float) -> str:
    """Name and code of a grid, and the angle of its north from true north at the middle of the map [m], in words.

    >>> import pyproj
    >>> words(pyproj.CRS("EPSG:32636"), 600000.0, 5000000.0)
    'Grid: WGS 84 / UTM zone 36N (EPSG:32636); its north lies 0.90° east of true north at mid-map.'
    """
    code = ":".join(crs.to_authority() or ("no code",))
    turn = convergence_deg(crs, x, y)
    side = f"{abs(turn):.2f}° {'east' if turn > 0 else 'west'} of true north"
    return f"Grid: {crs.name} ({code}); its north lies {side} at mid-map."


def draw_legend(figure: Figure, page: Layout, foot: float, handles: Sequence[Artist]) -> None:
    """Legend, below the map or beside it (changes the figure)."""
    left, top = scales_corner(page, foot)
    place = (left, top - 14) if page.beside else (LEFT_MM, top)
    layout.legend(figure, handles, *place, 0, corner="upper left")


def draw_scale_and_north(figure: Figure, page: Layout, foot: float, crs: CRS) -> None:
    """Bar of a round true length, and arrow to true north (changes the figure)."""
    left, top = scales_corner(page, foot)
    lengths = np.outer(10.0 ** np.arange(0, 7), [1, 2, 5]).ravel()
    longest = 38 * page.m_per_mm * 1000 / grid_metres(crs, *page.centre, 1000)
    true_m = float(lengths[lengths <= max(longest, 1)][-1])
    bar_mm = grid_metres(crs, *page.centre, true_m) / page.m_per_mm
    _draw_bar(figure, (left, top), bar_mm, true_m)
    draw_north(figure, left + 52, top - 5, -convergence_deg(crs, *page.centre))


def _draw_bar(figure, corner, bar_mm, true_m):
    """Bar in two halves with its lengths above it."""
    left, top = corner
    for part, colour in enumerate((style.INK, "white")):
        half = Rectangle((left + part * bar_mm / 2, top - 6), bar_mm / 2, 1.4)
        half.set(facecolor=colour, edgecolor=style.INK, linewidth=0.6, gid="scale bar")
        half.set_transform(layout.millimetres(figure))
        figure.add_artist(half)
    unit, metres = ("km", 1000) if true_m >= 1000 else ("m", 1)
    for share in (0, 0.5, 1):
        words = plain(share * true_m / metres) + (f" {unit}" if share == 1 else "")
        layout.write_on(figure, left + share * bar_mm, top - 4, words, ha="center")


def draw_north(figure: Figure, x_mm: float, y_mm: float, turn_deg: float) -> None:
    """Arrow to true north at a place [mm], turned clockwise from the top of the page (changes the figure)."""
    way = np.array([np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))])
    side, tip = np.array([way[1], -way[0]]) * 1.6, np.array([x_mm, y_mm]) + 3 * way
    tail = tip - 7.5 * way
    arrow = Polygon([tip, tail + side, tail + 1.8 * way, tail - side], transform=layout.millimetres(figure))
    arrow.set(facecolor=style.INK, edgecolor="none", gid="north arrow")
    figure.add_artist(arrow)
    x_mm, y_mm = tip + 2.2 * way
    layout.write_on(figure, x_mm, y_mm, "N", size=style.TEXT_PT, weight="bold", ha="center", va="center")


def chainages(towers: pd.DataFrame) -> pd.DataFrame:
    """Round chainages [m], twelve at most, with their places x, y [m] and the unit vector of the line there."""
    laid = towers.sort_values("chainage_m", kind="stable").drop_duplicates("chainage_m")
    along, x, y = laid[["chainage_m", "x", "y"]].dropna().to_numpy("float64").T
    if len(along) < 2:
        return pd.DataFrame(columns=["metres", "x", "y", "east", "north"], dtype="float64")
    step = layout.round_step(along[-1] / 1000, 12) * 1000
    metres = np.arange(1, along[-1] // step + 1) * step
    metres = metres[metres >= along[0]]
    span = np.searchsorted(along, metres, side="left").clip(1)
    way = np.column_stack([x[span] - x[span - 1], y[span] - y[span - 1]])
    east, north = (way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]).T
    places = {"x": np.interp(metres, along, x), "y": np.interp(metres, along, y)}
    return pd.DataFrame({"metres": metres, **places, "east": east, "north": north})


def draw_chainages(axes: Axes, ticks: pd.DataFrame) -> None:
    """Stroke across the line at every round chainage (changes the axes)."""
    half = 1.6 * m_per_mm(axes)
    for t in each(ticks):
        across = [t.x - half * t.north, t.x + half * t.north], [t.y + half * t.east, t.y - half * t.east]
        axes.plot(*across, color=style.INK, linewidth=0.9, zorder=3, gid="chainage mark")

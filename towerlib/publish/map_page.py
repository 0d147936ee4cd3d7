"""The page of a map: its scale, its frame, and where the legend and the scales stand."""

from dataclasses import dataclass

import numpy as np

from towerlib.publish import page, scales

PAD_MM = 14  # between the route and the frame: room for labels
LEFT_MM = 19  # room for the numbers of the northing axis
RIGHT_MM = 7  # a number at the end of the easting axis reaches beyond the frame
AXIS_MM = 11  # room for the numbers of the easting axis
ROW_MM = 3.9  # height of one entry of the legend
KEY_MM = 30  # least height of the legend, the scales and the arrow where they stand below the map
SIDE_MM = 66  # their width where they stand beside it
LEAST_M = (1000, 250)  # extent of a route of one tower, east and north


@dataclass(frozen=True)
class Layout:
    """Where the map stands on the page [mm], its scale [grid m a mm] and its middle [grid m]."""

    beside: bool
    page_mm: float
    body_mm: float
    key_mm: float
    size_mm: tuple[float, float]
    m_per_mm: float
    centre: tuple[float, float]


def fit(places, rows):
    """Layout with the larger scale: legend below the map, or beside it.

    Parameters
    ----------
    places : (n, 2) array
        Towers and stations on the grid [m].
    rows : int
        Entries of the legend to keep room for.

    Returns
    -------
    Layout
    """
    low, high = places.min(0), places.max(0)
    wide, tall = np.maximum(high - low, LEAST_M)
    centre, gap = tuple(map(float, (low + high) / 2)), 2 * PAD_MM
    room = page.WIDTH_MM - LEFT_MM - RIGHT_MM
    below = max(wide / (room - gap), tall / (150 - gap))
    beside = max(wide / (room - SIDE_MM - gap), tall / (205 - gap))
    if below <= beside:
        size, key = (room, max(tall / below + gap, 55)), max(KEY_MM, ROW_MM * rows)
        return Layout(False, page.WIDTH_MM, size[1] + AXIS_MM + key, key, size, below, centre)
    size = (max(wide / beside + gap, 80), max(tall / beside + gap, 60 + ROW_MM * rows))
    width = LEFT_MM + size[0] + SIDE_MM + page.MARGIN_MM
    return Layout(True, width, size[1] + AXIS_MM, 0, size, beside, centre)


def frame(figure, layout, foot):
    """Panel of the map, to scale, with grid kilometres at its edges.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (the panel is added to it).
    layout : Layout
        As `fit` gives it.
    foot : float
        Where the body of the page starts, from the bottom [mm].

    Returns
    -------
    matplotlib.axes.Axes
    """
    axes = page.panel(figure, LEFT_MM, foot + AXIS_MM + layout.key_mm, *layout.size_mm)
    half = np.array(layout.size_mm) * layout.m_per_mm / 2
    low, high = layout.centre - half, layout.centre + half
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), aspect="equal")
    axes.spines[["top", "right"]].set_visible(True)
    for axis, size, size_mm in zip((axes.xaxis, axes.yaxis), 2 * half, layout.size_mm, strict=True):
        decimals = 0 if size > 8000 else 1 if size > 800 else 2
        steps = max(2, int(size_mm / 28))
        scales.linear_axis(axis, steps, lambda metres, digits=decimals: f"{metres / 1000:.{digits}f}")
    axes.set(xlabel="Easting [km]", ylabel="Northing [km]")
    return axes


def scales_corner(layout, foot):
    """Upper left corner of the scales.

    Parameters
    ----------
    layout : Layout
        As `fit` gives it.
    foot : float
        Where the body of the page starts, from the bottom [mm].

    Returns
    -------
    (float, float)
        From the left and from the bottom [mm].
    """
    if layout.beside:
        return LEFT_MM + layout.size_mm[0] + 7, foot + AXIS_MM + layout.size_mm[1]
    return LEFT_MM + 85, foot + layout.key_mm - 2


def m_per_mm(axes):
    """Metres on the grid for each millimetre on the page.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel of a map.

    Returns
    -------
    float
    """
    return np.ptp(axes.get_xlim()) / (axes.bbox.width / axes.figure.dpi * 25.4)

"""Axes with plain round numbers on them, and the names of lines at their edge."""

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator

from towerlib.publish.lettering import plain
from towerlib.publish.page import write


def round_step(length, most):
    """Smallest of 1, 2, 5 times a power of ten that divides a length into no more than so many parts.

    Parameters
    ----------
    length : float
        Length to divide, above 0 [any unit].
    most : int
        Parts at most.

    Returns
    -------
    float
        In the unit of `length`.

    Examples
    --------
    >>> round_step(77.0, 12), round_step(3.0, 12)
    (10.0, 0.5)
    """
    tens = 10.0 ** np.arange(np.floor(np.log10(length / most)) - 1, np.floor(np.log10(length / most)) + 2)
    steps = np.sort(np.outer(tens, [1, 2, 5]).ravel())
    return float(steps[np.floor(length / steps + 1e-9) <= most][0])


def round_numbers(low, high):
    """Numbers 1, 2, 5 times a power of ten between two ends; over many decades the powers alone.

    Parameters
    ----------
    low, high : float
        Ends, above 0.

    Returns
    -------
    numpy.ndarray

    Examples
    --------
    >>> round_numbers(0.4, 12.0).tolist()
    [0.5, 1.0, 2.0, 5.0, 10.0]
    """
    heads = [1, 2, 5] if high / low < 1e4 else [1]
    numbers = np.outer(10.0 ** np.arange(-6, 9), heads).ravel()
    return numbers[(numbers >= low) & (numbers <= high)]


def log_axis(axis, low, high):
    """Logarithmic axis from `low` to `high` with plain numbers on it (changes the axis).

    Parameters
    ----------
    axis : matplotlib.axis.Axis
        Axis of a panel.
    low, high : float
        Its ends, above 0 [unit of the axis].
    """
    axis.axes.set(**{f"{axis.axis_name}scale": "log", f"{axis.axis_name}lim": (low, high)})
    axis.set_major_locator(FixedLocator(round_numbers(low, high)))
    axis.set_major_formatter(FuncFormatter(lambda number, _: plain(number)))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())
    axis.get_majorticklabels()  # made now, in the house style, and not when the caller saves


def linear_axis(axis, most, written=plain):
    """Round numbers within the limits of a linear axis (changes the axis).

    Parameters
    ----------
    axis : matplotlib.axis.Axis
        Axis of a panel; its limits must be final.
    most : int
        Steps at most.
    written : callable
        Gives the text of a number.
    """
    low, high = sorted(axis.get_view_interval())
    ticks = np.round(MaxNLocator(most, steps=[1, 2, 5, 10]).tick_values(low, high), 9)
    axis.set_major_locator(FixedLocator(ticks[(ticks >= low) & (ticks <= high)]))
    axis.set_major_formatter(FuncFormatter(lambda number, _: written(number)))
    axis.get_majorticklabels()  # made now, in the house style, and not when the caller saves


def edge_labels(axes, labels, *, apart_mm=3.2):
    """Names of lines at the right edge of a panel, moved apart where they would touch (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel whose limits are set.
    labels : list of (float, str)
        Height in the panel's units, and text; one more line for each line break.
    apart_mm : float
        Height of a line of text [mm].
    """
    unit = axes.figure.dpi / 25.4
    labels = sorted((axes.transData.transform((axes.get_xlim()[1], y))[1] / unit, text) for y, text in labels)
    floor = -np.inf
    for height, text in labels:
        half = apart_mm * (1 + text.count("\n")) / 2
        centre = max(height, floor + half)
        floor = centre + half
        write(axes.figure, axes.bbox.x1 / unit + 1, centre, text, va="center")

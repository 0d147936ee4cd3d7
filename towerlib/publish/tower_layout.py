"""Where the panels of a tower's picture stand on its page, and what stands around them."""

from towerlib.publish import lettering, page, scales, style

LEFT_MM, RIGHT_MM, AXIS_MM = 15, 25, 11  # room for numbers, for names at the right, for the lower axis
WIDE_MM = page.WIDTH_MM - LEFT_MM - RIGHT_MM


def head_and_words(figure, place, head, words):
    """Heading of a panel and some words below it (changes the figure).

    Parameters
    ----------
    figure, place, head, words : matplotlib.figure.Figure, (float, float), str, str
        As for `panel`.

    Returns
    -------
    float
        Where what follows may begin, from the bottom of the page [mm].
    """
    top, room = place[1], page.WIDTH_MM - LEFT_MM - page.MARGIN_MM
    shown = lettering.shortened(head, room, style.TEXT_PT, "bold")
    page.write(figure, LEFT_MM, top - 3, shown, size=style.TEXT_PT, weight="bold", va="top")
    top -= 7
    for line in lettering.wrapped(words, room) if words else []:
        page.write(figure, LEFT_MM, top, line, va="top")
        top -= page.LINE_MM
    return top


def panel(figure, place, head, words, handles):
    """Axes under a heading, some words and a legend.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (changed).
    place : (float, float)
        Lower and upper end of the panel with all this, from the bottom of the page [mm].
    head, words : str
        Heading, and sentences below it; "" for none.
    handles : list of artists
        Entries of the legend.

    Returns
    -------
    matplotlib.axes.Axes
    """
    bottom, top = place[0], head_and_words(figure, place, head, words)
    page.legend(figure, handles, LEFT_MM, top - 0.5, WIDE_MM, corner="upper left")
    box = figure.legends[-1].get_window_extent(figure.canvas.get_renderer())
    top = box.y0 * 25.4 / figure.dpi - 4
    return page.panel(figure, LEFT_MM, bottom + AXIS_MM, WIDE_MM, top - bottom - AXIS_MM)


def log_scale(axis, low, high):
    """Logarithmic axis with three numbers on it at least (changes the axis).

    Parameters
    ----------
    axis : matplotlib.axis.Axis
        Axis of a panel.
    low, high : float
        Its ends, above 0 [unit of the axis].
    """
    scales.log_axis(axis, low, high)
    if len(scales.round_numbers(low, high)) < 3:
        scales.linear_axis(axis, 5)


def missing(figure, place, head, sentence):
    """Say in a panel's place what is missing (changes the figure)."""
    page.write(figure, LEFT_MM, place[1] - 3, head, size=style.TEXT_PT, weight="bold", va="top")
    page.write(figure, LEFT_MM, place[1] - 9, sentence, size=style.TEXT_PT, va="top", color="#444444")


def edge_labels(axes, labels):
    """Names at the right edge of a panel, none above its top (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel whose limits are set.
    labels : list of (float, str)
        Height in the panel's units, and text; the highest first to give way downwards.
    """
    unit, apart_mm = axes.figure.dpi / 25.4, 3.2
    edge, ceiling, placed = axes.get_xlim()[1], axes.bbox.y1 / unit, []
    for y, text in sorted(labels, reverse=True):
        half = apart_mm * (1 + text.count("\n")) / 2
        centre = min(axes.transData.transform((edge, y))[1] / unit, ceiling - half)
        ceiling = centre - half
        placed.append((axes.transData.inverted().transform((0, centre * unit))[1], text))
    scales.edge_labels(axes, placed, apart_mm=apart_mm)

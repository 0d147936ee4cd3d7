"""The page of a picture in millimetres: widths of texts, labels, heading and notes, panels, legends, axes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.textpath import text_to_path
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator
from matplotlib.transforms import Affine2D

from towerlib.report import style
from towerlib.report.style import INK, SMALL_PT
from towerlib.text import listed, one_line, plain

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.transforms import Transform
    from numpy.typing import ArrayLike

COARSE = 1.08  # letters snapped to pixels are up to so much wider (measured from 72 to 300 dots an inch)


def width_mm(text: str, size: float = SMALL_PT, weight: str = "normal") -> float:
    """Room that a text of a type size [pt] needs on the page, however coarse the pixels are [mm].

    >>> print(round(width_mm("T12"), 1))
    5.0
    """
    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    return text_to_path.get_text_width_height_descent(text, font, ismath=False)[0] * COARSE * 25.4 / 72


def shortened(text: str, room_mm: float, size: float = SMALL_PT, weight: str = "normal") -> str:
    """Text on one line, cut to the room it has [mm] with an ellipsis; type size in points.

    >>> shortened("T12", 20), shortened("a very long name of a station", 20)
    ('T12', 'a very long…')
    """
    text = one_line(text)
    if width_mm(text, size, weight) <= room_mm:
        return text
    fits = [end for end in range(len(text)) if width_mm(text[:end] + "…", size, weight) <= room_mm]
    return text[: max(fits, default=0)].rstrip() + "…"


def wrapped(text: str, room_mm: float, size: float = SMALL_PT) -> list[str]:
    """Lines of a text, none wider than the room [mm]; type size in points.

    >>> wrapped("a text of several words", 15)
    ['a text of', 'several', 'words']
    """
    lines = [""]
    for word in str(text).split():
        longer = f"{lines[-1]} {word}".strip()
        if width_mm(longer, size) <= room_mm or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return [shortened(line, room_mm, size) for line in lines]


def box_around(points: ArrayLike, half: float) -> np.ndarray:
    """Squares about points as x0, y0, x1, y1; `half` the side in the same unit.

    >>> box_around([[10.0, 20.0]], 2.0).tolist()
    [[8.0, 18.0, 12.0, 22.0]]
    """
    points = np.asarray(points, float).reshape(-1, 2)
    return np.hstack([points - half, points + half])


def box_of(axes: Axes, x: ArrayLike, y: ArrayLike, size: float) -> np.ndarray:
    """Boxes of markers on the page.

    x0, y0, x1, y1 [pixels of the figure]. `size`: Diameter of the markers [pt].
    """
    return box_around(
        axes.transData.transform(np.column_stack([x, y]).astype(float)), size * axes.figure.dpi / 144
    )


def boxes_touching(boxes: ArrayLike, others: ArrayLike) -> np.ndarray:
    """Which boxes touch any of the others.

    >>> boxes_touching([[0, 0, 2, 2], [5, 5, 6, 6]], [[1, 1, 3, 3]]).tolist()
    [True, False]
    """
    a, b = np.asarray(boxes, float).reshape(-1, 1, 4), np.asarray(others, float).reshape(1, -1, 4)
    apart = (a[..., :2] > b[..., 2:]).any(-1) | (a[..., 2:] < b[..., :2]).any(-1)
    return cast("Any", ~apart.all(cast("Any", 1)) if b.size else np.zeros(len(a), bool))


def boxes_crossing(starts: ArrayLike, ends: ArrayLike, boxes: ArrayLike) -> np.ndarray:
    """Which lines cross any of the boxes.

    >>> boxes_crossing([[0, 0], [0, 0]], [[4, 4], [4, 0]], [[1, 1, 2, 2]]).tolist()
    [True, False]
    """
    starts, boxes = np.asarray(starts, float)[:, None], np.asarray(boxes, float).reshape(1, -1, 4)
    way = np.asarray(ends, float)[:, None] - starts
    way = np.where(np.abs(way) < 1e-9, 1e-9, way)
    edges = np.stack([(boxes[..., :2] - starts) / way, (boxes[..., 2:] - starts) / way])
    enter, leave = edges.min(0).max(-1), edges.max(0).min(-1)  # parts of the way at which a line is inside
    return ((enter <= leave) & (leave >= 0) & (enter <= 1)).any(1)


ANGLES_DEG = np.r_[60, 120, 0, 180, 30, 150, 90, -30, -150, -60, -120, -90]
ANGLES_DEG = np.r_[ANGLES_DEG, ANGLES_DEG + 15, 60, 75, 105, 120, -60, -75, -105, -120]
SWAY = np.r_[np.full(24, 1.5), np.full(8, 4)]  # how soon a label is beside its point rather than above it
PLATE = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8}
LABEL = {"fontsize": SMALL_PT, "zorder": 9, "gid": "label", "ha": "center", "va": "center", "bbox": PLATE}
LEADER = 2.5  # above the lines of a panel, below its markers
REACH_PT = (5, 8, 12, 17, 23, 30, 39, 50, 64, 80)


def place_labels(
    axes: Axes,
    wishes: Sequence[tuple[float, float, str]],
    marks: ArrayLike,
    taken: ArrayLike = (),
    *,
    far: bool = False,
    **looks: Any,
) -> np.ndarray:
    """Labels beside their points wherever there is room; a label without room is left out (changes the axes).

    Gives `taken` with the new labels and their leaders [pixels]. `wishes` begins with the most important; no label lies
    on the boxes `marks`. Each takes the nearest free one of 32 places at ten distances. If one is left out, the
    orders along the panel are tried too, and the one with the most labels is kept. With `far` a label that finds no
    room nearby goes to any free place of the panel, and its leader may cross markers and other leaders.
    """
    figure, unit = axes.figure, axes.figure.dpi / 72
    texts = [figure.text(0, 0, one_line(text), **(LABEL | looks)) for _, _, text in wishes]
    anchors = [axes.transData.transform(wish[:2]) for wish in wishes]
    marks, choices = np.asarray(marks, float).reshape(-1, 4), []
    for label, anchor in zip(texts, anchors, strict=True):
        extent = label.get_window_extent(cast("Any", figure.canvas).get_renderer())
        places = _places(anchor, np.array([extent.width * COARSE, extent.height]) + 2.4 * unit, unit)
        inside = (places[:, :2] >= axes.bbox.min).all(1) & (places[:, 2:] <= axes.bbox.max).all(1)
        choices.append(_off_the_marks(anchor, places[inside], marks))
    placed, taken = _arranged(anchors, choices, np.asarray(taken, float).reshape(-1, 4))
    if far:
        for number in sorted(set(range(len(texts))) - set(placed)):
            extent = texts[number].get_window_extent(cast("Any", figure.canvas).get_renderer())
            size = np.array([extent.width * COARSE, extent.height]) + 2.4 * unit
            box = _anywhere(axes.bbox, anchors[number], size, np.vstack([marks, taken]))
            if len(box):
                placed[number], taken = box[0], np.vstack([taken, box])
    to_page = figure.transFigure.inverted()
    for number, label in enumerate(texts):
        if number not in placed:
            label.remove()
            continue
        label.set_position(cast("Any", to_page.transform((placed[number][:2] + placed[number][2:]) / 2)))
        _draw_leader(axes, anchors[number], placed[number])
    return cast("Any", taken)


def place_all_labels(
    axes: Axes, wishes: Sequence[tuple[float, float, str]], marks: ArrayLike, taken: ArrayLike = ()
) -> np.ndarray:
    """As `place_labels` with `far`, for towers that a reader must find, each ``name: words`` (changes the figure).

    Under the title it names those for which the panel has no room at all.
    """
    figure = cast("Any", axes.figure)
    taken = place_labels(axes, wishes, marks, taken, far=True)
    shown = {text.get_text() for text in figure.texts if text.get_gid() == "label"}
    lost = [text.rpartition(": ")[0] for _, _, text in wishes if one_line(text) not in shown]
    if lost:
        wide, high = figure.get_size_inches() * 25.4
        words = shortened(f"No room for a label: {listed(lost, len(lost))}.", wide / 2)
        write_on(figure, wide - MARGIN_MM, high - 9, words, va="top", ha="right")
    return taken


def _anywhere(panel, anchor, size, covered):
    """The free box of a panel that is nearest to a point, shape (1, 4) or (0, 4), among rows and columns of boxes."""
    room = panel.max - panel.min - size
    if (room <= 0).any():
        return np.empty((0, 4))
    counts = (2 * room / size).astype(int) + 2
    x, y = (
        low + np.linspace(0, most, count) for low, most, count in zip(panel.min, room, counts, strict=True)
    )
    corners = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    boxes = np.hstack([corners, corners + size])
    boxes = boxes[~boxes_touching(boxes, covered)]
    away = np.hypot(*(np.clip(anchor, boxes[:, :2], boxes[:, 2:]) - anchor).T)
    return boxes[np.argsort(away, kind="stable")[:1]]


def _arranged(anchors, choices, taken):
    """Boxes of the labels by number, in the order that finds room for most; and all that is taken then."""
    ways = [list(range(len(anchors)))]
    for axis in (0, 1):
        along = sorted(ways[0], key=lambda number, axis=axis: anchors[number][axis])
        ways += [along, along[::-1]]
    results = []
    for order in ways:
        results.append(_placed_in_order(order, anchors, choices, taken))
        if len(results[-1][0]) == len(anchors):
            break
    return max(results, key=lambda result: len(result[0]))


def _placed_in_order(order, anchors, choices, taken):
    """Boxes of the labels by number, each at its first free place; and all that is taken then."""
    placed = {}
    for number in order:
        places, anchor = choices[number], anchors[number]
        places = places[~boxes_touching(places, taken)]
        places = places[~boxes_crossing(*_leaders(anchor, places), taken)]
        if len(places):
            placed[number] = places[0]
            taken = np.vstack([taken, places[0], _along(*_leaders(anchor, places[:1]))])
    return placed, taken


def _places(anchor, size, unit):
    """Boxes a label could take about its point, nearest first."""
    angles = np.deg2rad(np.tile(ANGLES_DEG, len(REACH_PT)))
    steps = np.column_stack([np.cos(angles), np.sin(angles)])
    centres = anchor + steps * np.repeat(REACH_PT, len(ANGLES_DEG))[:, None] * unit
    centres = centres + np.clip(np.tile(SWAY, len(REACH_PT))[:, None] * steps, -1, 1) * size / 2
    return np.hstack([centres - size / 2, centres + size / 2])


def _off_the_marks(anchor, places, marks):
    """Places that lie on no marker: those whose leader crosses none, then those with a short leader."""
    if len(places):
        around = [*places[:, :2].min(0), *places[:, 2:].max(0)]
        marks = marks[boxes_touching(marks, [around])]  # the others are too far away to matter
    places = places[~boxes_touching(places, marks)]
    others = marks[~boxes_touching(marks, box_around(anchor, 10))]  # its own marker does not count
    starts, ends = _leaders(anchor, places)
    across = boxes_crossing(starts, ends, others)
    short = np.hypot(*(ends - starts).T) <= 1.5 * (places[:, 3] - places[:, 1])
    places, across = places[short | ~across], across[short | ~across]
    return places[np.argsort(across, kind="stable")]


def _leaders(anchor, places):
    """Leader lines from a point to the nearest points of its places: starts and ends."""
    way = np.clip(anchor, places[:, :2], places[:, 2:]) - anchor
    return anchor + 0.1 * way, anchor + 0.95 * way


def _along(starts, ends):
    """Boxes along one line."""
    steps = np.linspace(0, 1, int(np.hypot(*(ends - starts)[0]) / 2) + 2)[:, None]
    return box_around(starts + steps * (ends - starts), 1)


def _draw_leader(axes, anchor, box):
    """Thin line from a point to its label, under the markers: it ends at the edge of its own, whatever its shape."""
    figure = axes.figure
    ends = figure.transFigure.inverted().transform([anchor, np.clip(anchor, box[:2], box[2:])])
    # dashed: beside a bar over an interval a plain line would read as its end
    looks = {"color": INK, "linewidth": 0.45, "linestyle": (0, (3, 1.5)), "zorder": LEADER, "gid": "leader"}
    axes.add_artist(Line2D(*ends.T, transform=figure.transFigure, **looks))


WIDTH_MM = 180  # A4 upright with margins: pictures print at their own size
HEAD_MM = 14
MARGIN_MM = 4
LINE_MM = 3.4  # one line of small type


def millimetres(figure: Figure) -> Transform:
    """Transform from millimetres on the page, origin at the bottom left, to the figure."""
    return Affine2D().scale(1 / 25.4) + figure.dpi_scale_trans


def write_on(
    figure: Figure, x_mm: float, y_mm: float, text: str, *, size: float = style.SMALL_PT, **looks: Any
) -> None:
    """One text at a place on the page [mm], type size in points (changes the figure)."""
    figure.text(x_mm, y_mm, text, transform=millimetres(figure), fontsize=size, **looks)


def new_sheet(
    body_mm: float, title: str, subtitle: str, notes: Iterable[str] = (), *, width: float = WIDTH_MM
) -> tuple[Figure, float]:
    """Page with heading and notes, not known to pyplot, and the foot of its free body from the bottom [mm].

    Blank notes are left out.
    """
    room = width - 2 * MARGIN_MM
    lines = [line for note in notes if note for line in wrapped(note, room)]
    foot = MARGIN_MM + LINE_MM * len(lines)
    height = foot + body_mm + HEAD_MM
    figure = Figure(figsize=(width / 25.4, height / 25.4), dpi=style.DPI, facecolor="white")
    FigureCanvasAgg(figure)
    title = shortened(title, room, style.TITLE_PT, "bold")
    subtitle = shortened(subtitle, room, style.TEXT_PT)
    write_on(figure, MARGIN_MM, height - 4, title, size=style.TITLE_PT, weight="bold", va="top")
    write_on(figure, MARGIN_MM, height - 9, subtitle, size=style.TEXT_PT, va="top")
    for row, line in enumerate(lines):
        write_on(figure, MARGIN_MM, foot - 1 - LINE_MM * row, line, va="top", color="#444444")
    return figure, foot


def new_panel(figure: Figure, left_mm: float, bottom_mm: float, wide_mm: float, high_mm: float) -> Axes:
    """Axes at a place on the page [mm]."""
    wide, high = figure.get_size_inches() * 25.4
    return figure.add_axes((left_mm / wide, bottom_mm / high, wide_mm / wide, high_mm / high))


def blank(title: str, sentence: str) -> Figure:
    """Page that says in words what is missing.

    >>> print(blank("Leakage", "No leg currents were measured.").texts[-1].get_text())
    No leg currents were measured.
    """
    with style.house():
        lines = wrapped(sentence, WIDTH_MM - 4 * MARGIN_MM, style.TEXT_PT)
        figure, foot = new_sheet(16 + LINE_MM * len(lines), title, "Nothing to draw yet")
        for row, line in enumerate(lines):
            write_on(figure, 2 * MARGIN_MM, foot + 8 + LINE_MM * (len(lines) - row), line, size=style.TEXT_PT)
        return figure


def legend(
    figure: Figure,
    handles: Sequence[Artist],
    left_mm: float,
    y_mm: float,
    room_mm: float,
    *,
    corner: str = "lower left",
) -> float:
    """Legend in as many columns as the room takes, one at least (changes the figure); its upper end [mm]."""
    looks = {"loc": corner, "bbox_to_anchor": (left_mm, y_mm), "bbox_transform": millimetres(figure)}
    for columns in range(len(handles), 0, -1):
        box = figure.legend(handles=handles, ncols=columns, borderpad=0, borderaxespad=0, **looks)
        extent = box.get_window_extent(cast("Any", figure.canvas).get_renderer())
        if extent.width * COARSE <= room_mm * figure.dpi / 25.4 or columns == 1:
            return extent.y1 * 25.4 / figure.dpi
        box.remove()
    return y_mm


def round_step(length: float, most: int) -> float:
    """Smallest of 1, 2, 5 times a power of ten that divides a length above 0 into no more than so many parts.

    >>> round_step(77.0, 12), round_step(3.0, 12)
    (10.0, 0.5)
    """
    tens = 10.0 ** np.arange(np.floor(np.log10(length / most)) - 1, np.floor(np.log10(length / most)) + 2)
    steps = np.sort(np.outer(tens, [1, 2, 5]).ravel())
    return float(steps[np.floor(length / steps + 1e-9) <= most][0])


def round_numbers(low: float, high: float) -> np.ndarray:
    """Numbers 1, 2, 5 times a power of ten between two ends; over many decades the powers alone.

    >>> round_numbers(0.4, 12.0).tolist()
    [0.5, 1.0, 2.0, 5.0, 10.0]
    """
    heads = [1, 2, 5] if high / low < 1e4 else [1]
    numbers = np.outer(10.0 ** np.arange(-6, 9), heads).ravel()
    return numbers[(numbers >= low) & (numbers <= high)]


def log_axis(axis: Axis, low: float, high: float) -> None:
    """Logarithmic axis between two ends above 0, with plain numbers on it (changes the axis)."""
    name = cast("Any", axis).axis_name
    axis.axes.set(**{f"{name}scale": "log", f"{name}lim": (low, high)})
    axis.set_major_locator(FixedLocator(cast("Any", round_numbers(low, high))))
    axis.set_major_formatter(FuncFormatter(lambda number, _: plain(number)))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())
    axis.get_majorticklabels()  # made now, in the house style, and not when the caller saves


def linear_axis(axis: Axis, most: int, written: Callable[[float], str] = plain) -> None:
    """Round numbers within the final limits of a linear axis, `most` steps at most (changes the axis)."""
    low, high = sorted(axis.get_view_interval())
    ticks = np.round(MaxNLocator(most, steps=[1, 2, 5, 10]).tick_values(low, high), 9)
    axis.set_major_locator(FixedLocator(cast("Any", ticks[(ticks >= low) & (ticks <= high)])))
    axis.set_major_formatter(FuncFormatter(lambda number, _: written(number)))
    axis.get_majorticklabels()  # made now, in the house style, and not when the caller saves


def edge_labels(axes: Axes, labels: Sequence[tuple[float, str]], *, apart_mm: float = 3.2) -> None:
    """Names of lines at the right edge of a panel, moved apart where they would touch (changes the axes).

    `apart_mm`: Height of a line of text [mm].
    """
    unit = axes.figure.dpi / 25.4
    labels = sorted((axes.transData.transform((axes.get_xlim()[1], y))[1] / unit, text) for y, text in labels)
    floor = -np.inf
    for height, text in labels:
        half = apart_mm * (1 + text.count("\n")) / 2
        centre = max(height, floor + half)
        floor = centre + half
        write_on(cast("Any", axes.figure), axes.bbox.x1 / unit + 1, centre, text, va="center")

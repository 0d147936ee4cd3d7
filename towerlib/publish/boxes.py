"""Boxes on the page: of markers, and whether they touch each other or lines cross them."""

import numpy as np


def around(points, half):
    """Squares about points.

    Parameters
    ----------
    points : (n, 2) array
        Centres.
    half : float
        Half the side, in the same unit.

    Returns
    -------
    (n, 4) array
        x0, y0, x1, y1.

    Examples
    --------
    >>> around([[10.0, 20.0]], 2.0).tolist()
    [[8.0, 18.0, 12.0, 22.0]]
    """
    points = np.asarray(points, float).reshape(-1, 2)
    return np.hstack([points - half, points + half])


def of(axes, x, y, size):
    """Boxes of markers on the page.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel; its place and limits must be final.
    x, y : array
        Places, in the panel's units.
    size : float
        Diameter of the markers [pt].

    Returns
    -------
    (n, 4) array
        x0, y0, x1, y1 [pixels of the figure].
    """
    return around(
        axes.transData.transform(np.column_stack([x, y]).astype(float)), size * axes.figure.dpi / 144
    )


def touching(boxes, others):
    """Which boxes touch any of the others.

    Parameters
    ----------
    boxes : (n, 4) array
        x0, y0, x1, y1.
    others : (m, 4) array
        The same.

    Returns
    -------
    (n,) array of bool

    Examples
    --------
    >>> touching([[0, 0, 2, 2], [5, 5, 6, 6]], [[1, 1, 3, 3]]).tolist()
    [True, False]
    """
    a, b = np.asarray(boxes, float).reshape(-1, 1, 4), np.asarray(others, float).reshape(1, -1, 4)
    apart = (a[..., :2] > b[..., 2:]).any(-1) | (a[..., 2:] < b[..., :2]).any(-1)
    return ~apart.all(1) if b.size else np.zeros(len(a), bool)


def crossing(starts, ends, boxes):
    """Which lines cross any of the boxes.

    Parameters
    ----------
    starts, ends : (n, 2) array
        Ends of straight lines.
    boxes : (m, 4) array
        x0, y0, x1, y1.

    Returns
    -------
    (n,) array of bool

    Examples
    --------
    >>> crossing([[0, 0], [0, 0]], [[4, 4], [4, 0]], [[1, 1, 2, 2]]).tolist()
    [True, False]
    """
    starts, boxes = np.asarray(starts, float)[:, None], np.asarray(boxes, float).reshape(1, -1, 4)
    way = np.asarray(ends, float)[:, None] - starts
    way = np.where(np.abs(way) < 1e-9, 1e-9, way)
    edges = np.stack([(boxes[..., :2] - starts) / way, (boxes[..., 2:] - starts) / way])
    enter, leave = edges.min(0).max(-1), edges.max(0).min(-1)  # parts of the way at which a line is inside
    return ((enter <= leave) & (leave >= 0) & (enter <= 1)).any(1)

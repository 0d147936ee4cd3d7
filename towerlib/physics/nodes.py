"""Nodes of the shield wire: their potentials, and the pieces into which open spans part it."""

import numpy as np


def wire_potential(line, source_a):
    """Potential of the shield wire under currents injected into its nodes.

    Parameters
    ----------
    line : Ladder
        n towers.
    source_a : array, shape (n, m)
        Current injected into each node of the wire [A], m drives; unit columns give columns of the inverse.

    Returns
    -------
    array, shape (n, m)
        Potential [V]; NaN in a piece of the wire that has no path to earth.

    Notes
    -----
    (y_k + g_(k−1) + g_k)·V_k − g_(k−1)·V_(k−1) − g_k·V_(k+1) = J_k, one tridiagonal solve for all drives. The
    matrix is symmetric, and its diagonal is at least as large as the rest of the row: no pivots are needed.

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> print(wire_potential(ladder([10.0, 10.0], 0.0, [20.0]), np.eye(2)).real)
    [[7.5 2.5]
     [2.5 7.5]]
    """
    from scipy.linalg import solve_banded

    node_s, g = line.tower_s + line.station_s, line.span_s
    floating = _floating(node_s, g)
    banded = np.zeros((3, len(node_s)), complex)
    banded[0, 1:] = banded[2, :-1] = -g
    # A floating piece has no answer: 1 S to earth lets the solver pass, and NaN replaces what it found there.
    banded[1] = node_s + floating
    banded[1, :-1] += g
    banded[1, 1:] += g
    wire_v = solve_banded((1, 1), banded, np.asarray(source_a, complex), check_finite=False)
    if floating.any():
        wire_v[floating] = np.nan
    return wire_v


def pieces(span_s):
    """Number of the piece of shield wire that each tower hangs on, counted from 0; an open span parts two.

    Parameters
    ----------
    span_s : array, shape (n − 1,)
        Admittance of the spans [S], 0 where open.

    Returns
    -------
    array of int, shape (n,)

    Examples
    --------
    >>> print(pieces(np.array([5.0, 0.0, 5.0])))
    [0 0 1 1]
    """
    return np.r_[0, np.cumsum(span_s == 0)]


def _floating(node_s, g):
    """Nodes of the pieces of wire, between open spans, of which none has a path to earth."""
    if node_s.all() or (g.all() and node_s.any()):
        return np.zeros(len(node_s), bool)
    piece = pieces(g)
    return np.bincount(piece, weights=node_s != 0)[piece] == 0

"""A line as a circuit: nodes, branches with mutual impedance, one complex sparse solution.

Unknown are the potentials of the nodes and the currents of the branches; an open branch is simply not there.
"""

import numpy as np
from scipy.sparse import csc_matrix
from scipy.sparse.csgraph import reverse_cuthill_mckee
from scipy.sparse.linalg import splu

MU0 = 4e-7 * np.pi
EARTH = -1


class Circuit:
    """Nodes and groups of coupled branches."""

    def __init__(self):
        """No node, no branch."""
        self.names, self._ends, self.emfs = {}, [], []
        self._rows, self._columns, self._values = [], [], []

    def node(self, *name):
        """Number of a node; a new one where the name is new."""
        return self.names.setdefault(name, len(self.names))

    def branch(self, start, end, ohm, emf=0.0):
        """A branch with its own impedance [Ω] and an EMF that drives from start to end [V]; its number."""
        place = len(self._ends)
        self._ends.append((start, end))
        self.emfs.append(emf)
        self.couple(place, place, ohm)
        return place

    def couple(self, one, other, ohm):
        """Impedance between two branches [Ω]; both ways where they differ."""
        for row, column in {(one, other), (other, one)}:
            self._rows.append(row)
            self._columns.append(column)
            self._values.append(ohm)

    def solve(self, injected, driven=0.0):
        """Potentials [V] and branch currents [A] for currents that enter at nodes.

        Parameters
        ----------
        injected : array of shape (nodes, cases)
            Currents into each node [A]; the EMFs act in every case.
        driven : array of shape (branches, cases)
            Further EMFs of each case [V].

        Returns
        -------
        tuple of two arrays
            Shapes (nodes, cases) and (branches, cases).
        """
        nodes, branches = len(self.names), len(self._ends)
        ends = np.array(self._ends)
        rows, columns, values = [], [], []
        for side, sign in ((0, 1.0), (1, -1.0)):
            live = np.flatnonzero(ends[:, side] != EARTH)
            rows += [ends[live, side], nodes + live]
            columns += [nodes + live, ends[live, side]]
            values += [np.full(len(live), sign)] * 2
        rows += [nodes + np.array(self._rows)]
        columns += [nodes + np.array(self._columns)]
        values += [-np.array(self._values, complex)]
        size = nodes + branches
        flat = (np.concatenate(rows), np.concatenate(columns))
        system = csc_matrix((np.concatenate(values), flat), shape=(size, size), dtype=complex)
        injected = np.asarray(injected, complex)
        emf = np.repeat(np.array(self.emfs, complex)[:, None], injected.shape[1], axis=1)
        emf = emf + driven
        # along the line, so that the factors stay narrow
        order = reverse_cuthill_mckee(system.tocsr(), symmetric_mode=True)
        factors = splu(system[order][:, order], permc_spec="NATURAL")
        found = np.empty((size, injected.shape[1]), complex)
        found[order] = factors.solve(np.vstack([injected, -emf])[order])
        return found[:nodes], found[nodes:]


def series_ohm_m(places_m, radii_m, own_ohm_m, hz, soil_ohm_m):
    """Impedance of conductors above ground per metre [Ω/m], matrix.

    The earth is a mirror in the complex depth √(ρ/(jωμ0)) (Dubanton; Deri and others 1981, from memory).

    Parameters
    ----------
    places_m : array of shape (n, 2)
        Distance from the axis and height, mean along the span [m].
    radii_m, own_ohm_m : array of shape (n,)
        Geometric mean radius [m], resistance [Ω/m].
    hz, soil_ohm_m : float
    """
    places = np.asarray(places_m, float)
    omega = 2 * np.pi * hz
    depth = np.sqrt(soil_ohm_m / (1j * omega * MU0))
    across = places[:, 0][:, None] - places[:, 0]
    up = places[:, 1][:, None] + places[:, 1] + 2 * depth
    apart = np.hypot(across, places[:, 1][:, None] - places[:, 1]) + np.diag(radii_m)
    image = np.sqrt(up**2 + across**2)
    return 1j * omega * MU0 / (2 * np.pi) * np.log(image / apart) + np.diag(own_ohm_m)

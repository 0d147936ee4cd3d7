"""Resistance of earth electrodes: closed forms, the mutual-resistance matrix, metal added to a footing."""

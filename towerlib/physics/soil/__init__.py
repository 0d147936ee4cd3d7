"""Resistivity of the ground: four-pin arrays, two layers, their fit, and what soils usually have."""

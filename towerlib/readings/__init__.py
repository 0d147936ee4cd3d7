"""Readings of a visit: their quality, leg currents, sweep, season, changes over time, and which one is in force."""

"""Scan of a line for open bonds and open spans.

``response`` gives the readings that a fault would cause, ``likelihood`` compares them with the readings taken,
``calibration`` sets the threshold by simulated lines, and ``scan`` decides. Start at `scan.scan_faults`.
"""

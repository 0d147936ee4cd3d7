"""Scan of a line for open bonds and open spans: response of the ladder, likelihood, calibration, decision."""

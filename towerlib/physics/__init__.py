"""Formulas on numbers and arrays: no tables, no files, no settings."""

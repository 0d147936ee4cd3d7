"""Laws are tried on the same cases in every run: what fails once fails again, on any machine and any day."""

import os

from hypothesis import settings

settings.register_profile("same cases", derandomize=True, deadline=None)
settings.load_profile("same cases")
os.environ["TOWERLIB_TODAY"] = "2026-12-01"  # after the last day of the demo, whatever the clock says

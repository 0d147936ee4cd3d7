"""Laws are tried on the same cases in every run: what fails once fails again, on any machine and any day."""

import os

from hypothesis import settings

settings.register_profile("same cases", derandomize=True, deadline=None, max_examples=40)
settings.load_profile("same cases")
# One thread for linear algebra: several test processes share the cores, and idle threads of each would spin.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
os.environ["TOWERLIB_PROGRESS"] = "off"  # notebooks are compared whatever the speed of the machine
os.environ["TOWERLIB_TODAY"] = "2026-12-01"  # after the last day of the demo, whatever the clock says

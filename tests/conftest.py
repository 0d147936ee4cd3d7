"""Laws are tried on the same cases in every run: what fails once fails again, on any machine."""

from hypothesis import settings

settings.register_profile("same cases", derandomize=True, deadline=None)
settings.load_profile("same cases")

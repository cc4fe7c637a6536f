"""For all tests: no property is timed, since speed belongs in a benchmark and a loaded machine is no fault."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

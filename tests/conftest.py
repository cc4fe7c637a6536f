"""For all tests: no property is timed, since speed belongs in a benchmark and a loaded machine is no fault."""

from __future__ import annotations

import gc
import os
import sys
import tempfile

import pytest
from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# tests start some hundreds of processes: each would compile the package anew where the environment keeps no bytecode
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

gc.disable()  # until all is collected: nothing of that is garbage

# what is kept between runs, such as the key that seals caches, is the tests' own
os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp(prefix="tw-state-")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One process more than there are processors: a fourth of the tests' time is waiting for what has its own pace."""
    return len(os.sched_getaffinity(0)) + 1


def pytest_collection_finish() -> None:
    """What was collected stays: no collection of garbage goes through half a gigabyte of it again, and no process that
    is forked copies it for that."""
    gc.collect()
    gc.freeze()
    gc.enable()

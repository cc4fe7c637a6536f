"""For all tests: no property is timed, since speed belongs in a benchmark and a loaded machine is no fault."""

from __future__ import annotations

import gc
import os
import signal
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.starting import forked_starts

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# tests start some hundreds of processes: each would compile the package anew where the environment keeps no bytecode
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# a second thread of the linear algebra would do little and wait for the first one at full speed: on a loaded machine
# the leak meter's discriminants took sixteen times the processor, and thirty times as long
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# run behind `nohup`, everything that tests start would ignore a lost terminal, too, and five of them look at just that
signal.signal(signal.SIGHUP, signal.SIG_DFL)

gc.disable()  # until all is collected: nothing of that is garbage

# what is kept between runs, such as the key that seals caches, is the tests' own
os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp(prefix="tw-state-")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Twice as many processes as there are processors: much of the tests' time is waiting for what has its own pace."""
    return 2 * len(os.sched_getaffinity(0))


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Each process of a whole run begins to collect at another folder: in a fresh clone each compiles what the others
    have not yet, where four of them compiled the same at the same time (35 seconds of processor time, and not 49)."""
    whole = Path(__file__).parent
    if not hasattr(config, "workerinput") or [Path(one).resolve() for one in config.args] != [whole]:
        return
    places = sorted(str(one) for one in whole.iterdir() if one.name[0] not in "._" and one.name != "conftest.py")
    number, of = int(os.environ["PYTEST_XDIST_WORKER"][2:]), int(os.environ["PYTEST_XDIST_WORKER_COUNT"])
    begins = len(places) * number // of
    config.args[:] = [*places[begins:], *places[:begins]]


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Of the slow tests alone no process imports the two thirds of the files that have none."""
    is_test = collection_path.name.startswith("test_") and collection_path.suffix == ".py"
    if config.option.markexpr == "slow" and is_test and "mark.slow" not in collection_path.read_text(encoding="utf-8"):
        return True
    return None


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes longest begins first, so that no run ends with one process at it: each is dealt one stretch of the
    list, and these begin with the tests whose mark states seconds, the longest first."""
    items.sort(key=lambda item: str(item.path))  # wherever this process began to collect
    stated = [(marker.kwargs.get("seconds", 0), item) for item in items if (marker := item.get_closest_marker("slow"))]
    longest = [item for seconds, item in sorted(stated, key=lambda one: -one[0]) if seconds]
    others = [item for item in items if item not in set(longest)]
    processes = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    dealt: list[pytest.Item] = []
    for number in range(processes):
        share = (len(items) - len(dealt)) // (processes - number)
        first = longest[number::processes]
        more = max(share - len(first), 0)
        dealt += [*first, *others[:more]]
        others = others[more:]
    items[:] = [*dealt, *others]


def pytest_collection_finish() -> None:
    """What was collected stays: no collection of garbage goes through half a gigabyte of it again, and no process that
    is forked copies it for that."""
    gc.collect()
    gc.freeze()
    gc.enable()


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """What one of several processes has to say of the snapshots that it did not compare is shown to nobody, and takes
    it three seconds: each is held against all tests that it ran."""
    if hasattr(session.config, "workerinput"):
        session.config.pluginmanager.unregister(name="syrupy")


@pytest.fixture(autouse=True)
def starts(request: pytest.FixtureRequest) -> Iterator[None]:
    """The slow tests' processes of the program are forked from one that has imported it; in the quick run each is
    started as a shell would start it."""
    if request.node.get_closest_marker("slow") is None:
        yield
    else:
        with forked_starts():
            yield

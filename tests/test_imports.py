"""What a clean interpreter loads: the recorder and the judging draw no screen, `--help` is quick."""

from __future__ import annotations

import subprocess
import sys

import pytest

from monitor.archive.program import JUDGING, MEASURING, modules_of

SCREENS = ("textual",)
LAYERS = ("pylsl", "pyxdf", "osi3", "mcap")
STUDIES = ("monitor.study", "monitor.judging", "monitor.measures", "numpy")


def loaded(statement: str) -> set[str]:
    """The modules that a fresh interpreter has after a statement."""
    code = f"{statement}\nimport sys\nprint('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    ("statement", "never"),
    [
        ("import monitor.recorder.process", (*SCREENS, *STUDIES, *LAYERS, "asyncio")),
        ("import monitor.judging.session", (*SCREENS, "zmq", "rich", *LAYERS)),
        ("import monitor.measures.gap", (*SCREENS, "zmq", "msgpack", "rich")),
        ("import monitor.following.live", (*SCREENS, *LAYERS)),
        ("import monitor.connect.bridge, monitor.connect.sources.opening", (*SCREENS, *LAYERS)),
        ("import monitor.commands.main as m; m.build_parser()", (*SCREENS, "zmq", "numpy", "msgpack")),
    ],
)
def test_what_is_never_loaded(statement: str, never: tuple[str, ...]) -> None:
    assert not loaded(statement) & set(never)


def test_the_digest_of_what_judges_covers_every_module_that_judging_loads() -> None:
    names = {
        name for name in loaded("import monitor.archive.review, monitor.archive.summary") if name.startswith("monitor.")
    }
    covered = set(modules_of(*JUDGING))
    assert len(names) > 50
    assert names <= covered
    late = {"monitor.record.sealed.reading"}  # loaded where a sealed record is opened
    assert late <= covered
    assert not {name for name in covered if name.split(".")[1] in ("screens", "commands", "reports", "simulation")}


def test_the_digest_of_what_measures_covers_all_that_has_a_part_in_columns() -> None:
    names = {name for name in loaded(f"import {', '.join(MEASURING)}") if name.startswith("monitor.")}
    covered = set(modules_of(*MEASURING))
    assert names <= covered
    assert not {name for name in covered if name.startswith(("monitor.judging.rules", "monitor.study"))}

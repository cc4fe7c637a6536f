"""What a clean interpreter loads: the recorder and the judging draw no screen, `--help` is quick."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import monitor
from monitor.archive.program import judging_sources

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
        ("import monitor.recorder.process", (*SCREENS, *STUDIES, *LAYERS)),
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
    root = Path(monitor.__file__).parent.parent
    names = {
        name for name in loaded("import monitor.archive.review, monitor.archive.summary") if name.startswith("monitor.")
    }
    covered = {
        ".".join(file.relative_to(root).with_suffix("").parts).removesuffix(".__init__") for file in judging_sources()
    }
    assert len(names) > 50
    assert names <= covered

"""What a clean interpreter loads: the recorder and the judging draw no screen, `--help` is quick."""

from __future__ import annotations

import subprocess
import sys

import pytest

SCREENS = ("textual",)
STUDIES = ("monitor.study", "monitor.judging", "monitor.measures", "numpy")


def loaded(statement: str) -> set[str]:
    """The modules that a fresh interpreter has after a statement."""
    code = f"{statement}\nimport sys\nprint('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    ("statement", "never"),
    [
        ("import monitor.recorder.process", (*SCREENS, *STUDIES)),
        ("import monitor.judging.session", (*SCREENS, "zmq", "rich")),
        ("import monitor.measures.gap", (*SCREENS, "zmq", "msgpack", "rich")),
        ("import monitor.following.live", SCREENS),
        ("import monitor.commands.main as m; m.build_parser()", (*SCREENS, "zmq", "numpy", "msgpack")),
    ],
)
def test_what_is_never_loaded(statement: str, never: tuple[str, ...]) -> None:
    assert not loaded(statement) & set(never)

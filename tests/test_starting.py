"""A process that is forked instead of started is the same to whoever asks for it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.commands.running import command, run
from tests.starting import forked_starts


def of(number: int) -> dict[str, str]:
    """What the system says of a process."""
    lines = Path(f"/proc/{number}/status").read_text().splitlines()
    return {name: said.strip() for name, _, said in (line.partition(":") for line in lines)}


@pytest.mark.parametrize("words", [("--version",), ("check", "--study", "nowhere"), ("verify", "\udc80")])
def test_it_says_the_same_and_leaves_with_the_same_status(words: tuple[str, ...]) -> None:
    started = run(*words)
    with forked_starts():
        forked = run(*words)
    assert (forked.returncode, forked.stdout, forked.stderr) == (started.returncode, started.stdout, started.stderr)


def test_it_is_a_child_with_a_session_a_directory_and_an_environment_of_its_own(tmp_path: Path) -> None:
    with forked_starts():
        process = subprocess.Popen(
            command("simulate", "--json", "--wait", "60"),
            cwd=tmp_path,
            env={**os.environ, "OF_THE_TEST": "1"},
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
    with process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith(b'{"type": "bound"')
        assert of(process.pid)["PPid"] == str(os.getpid())
        assert os.getsid(process.pid) == process.pid
        assert Path(f"/proc/{process.pid}/cwd").resolve() == tmp_path
        process.kill()
    assert process.returncode == -signal.SIGKILL


@pytest.mark.parametrize(
    "asked",
    [
        {"args": [sys.executable, "-c", "print(1)"]},
        {"args": ["python3", "-m", "monitor", "--version"], "executable": sys.executable},
        {"args": command("--version"), "env": {**os.environ, "PYTHONUTF8": "1"}},
        {"args": command("--version"), "preexec_fn": lambda: None},
    ],
    ids=["other code", "another name", "what a start reads", "something before it"],
)
def test_all_else_is_started(asked: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    never: Callable[..., int] = lambda *_: pytest.fail("it was forked")  # noqa: E731
    monkeypatch.setattr("tests.starting._forked", never)
    with forked_starts():
        assert subprocess.run(**asked, capture_output=True, check=True).stdout

"""A command of the command line run in this process: for what needs no process of its own."""

from __future__ import annotations

import contextlib
import io
from typing import NamedTuple

from monitor.commands.main import main


class Called(NamedTuple):
    """What a command left with, and what it printed."""

    returncode: int
    stdout: str
    stderr: str


def call(*arguments: str) -> Called:
    """Runs `trialwitness ARGUMENTS` to its end."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(arguments)
        except SystemExit as left:
            return Called(int(left.code or 0), out.getvalue(), err.getvalue())
    raise AssertionError("a command leaves with its status")

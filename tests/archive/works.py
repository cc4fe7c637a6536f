"""Work for the engine's tests: functions of a module, as the engine wants them."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from monitor.archive.review import review_record
from monitor.judging.document import session_json
from monitor.study.model import Study


def document(path: Path, study: Study | None, options: Mapping[str, Any]) -> dict[str, Any]:
    """What `review --json` says of a record; takes at least `least_s`."""
    found = session_json(review_record(path, study).session, str(path))
    time.sleep(options.get("least_s", 0.0))
    return found


def dying(path: Path, study: Study | None, options: Mapping[str, Any]) -> str:
    """The name of a record; the worker that is asked for `deadly` dies of it. One that is asked for `once` dies the
    first time only: it leaves a file there."""
    if path.name == options.get("deadly"):
        os.kill(os.getpid(), signal.SIGKILL)
    once = options.get("once")
    if once is not None and path.name == once and not Path(options["mark"]).exists():
        Path(options["mark"]).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return path.name


def counted(path: Path, study: Study | None, options: Mapping[str, Any]) -> str:
    """The name of a record; leaves a line in a file for each that was asked for."""
    with Path(options["count"]).open("a") as file:
        file.write(f"{path.name}\n")
    return path.name


def broken(path: Path, study: Study | None, options: Mapping[str, Any]) -> str:
    """A fault of the program on one record."""
    if path.name == options["which"]:
        raise KeyError("nobody thought of this")
    return path.name

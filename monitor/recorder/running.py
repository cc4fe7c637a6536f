"""What a running recorder leaves in its record, so that a screen can attach to it, and where its sockets are."""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

from monitor.errors import WitnessError
from monitor.record.disk import is_being_written, read_small
from monitor.recorder.plan import RecorderPlan, plan_from_json
from monitor.recorder.signals import log

RUNNING_NAME = "recorder.json"
LOG_NAME = "recorder.log"
MOST_BYTES = 1 << 16
"""Of what a running recorder leaves."""
SOCKETS_PREFIX = "witness-"
SOCKET_PATH_MOST = 90
"""Bytes of the sockets' directory: a socket's whole path must stay below 100 (the system takes 107)."""


class SocketsRefused(WitnessError):
    """Raised when a directory cannot hold a recorder's sockets."""


@dataclass(frozen=True, slots=True)
class RunningRecorder:
    """A recorder that holds its record at this moment. `plan` has no opening; with `resume` it starts the next one."""

    pid: int
    record: Path
    sockets: Path
    plan: RecorderPlan


def make_sockets_directory() -> Path:
    """A new directory for the sockets of one run, mode 0700: under XDG_RUNTIME_DIR, else among temporary files."""
    return Path(tempfile.mkdtemp(prefix=SOCKETS_PREFIX, dir=_sockets_parent()))


def sockets_here() -> list[Path]:
    """The directories of sockets of all runs of this user on this machine, whether a recorder still answers or not."""
    found = []
    for path in sorted(_sockets_parent().glob(f"{SOCKETS_PREFIX}*")):
        try:
            check_sockets_directory(path)
        except SocketsRefused:
            continue  # another user's
        found.append(path)
    return found


def _sockets_parent() -> Path:
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    base = runtime if runtime and os.access(runtime, os.W_OK | os.X_OK) else tempfile.gettempdir()
    for parent in (base, "/tmp"):
        if len(os.fsencode(parent)) + len(f"/{SOCKETS_PREFIX}xxxxxxxx") <= SOCKET_PATH_MOST:
            return Path(parent)
    raise SocketsRefused(f"{base}: its path is too long for a socket; set XDG_RUNTIME_DIR to a shorter one")


def check_sockets_directory(sockets: Path) -> None:
    """Raises `SocketsRefused` unless the directory is ours alone and its path is short enough."""
    if len(os.fsencode(sockets)) > SOCKET_PATH_MOST:
        raise SocketsRefused(
            f"{sockets}: longer than the {SOCKET_PATH_MOST} bytes that a directory of sockets may have"
        )
    try:
        state = sockets.stat()
    except OSError as error:
        raise SocketsRefused(f"{sockets}: cannot hold the recorder's sockets: {error.strerror}") from error
    if state.st_uid != os.geteuid() or state.st_mode & 0o077:
        raise SocketsRefused(f"{sockets}: others may enter this directory of sockets; run: chmod 700 {sockets}")


def announce(plan: RecorderPlan) -> None:
    """Writes `recorder.json` into the record. Where the disk takes it not, attaching is not possible; recording is."""
    fields = asdict(plan) | {"opening": None, "resume": True}
    path = Path(plan.record) / RUNNING_NAME
    draft = path.with_suffix(".tmp")
    try:
        draft.write_text(json.dumps({"pid": os.getpid(), "plan": fields}), encoding="utf-8")
        draft.replace(path)
    except OSError as error:
        log(f"{path} could not be written, so no further screen can attach: {error.strerror}")


def withdraw_announcement(record: Path) -> None:
    """Removes `recorder.json`."""
    try:
        (record / RUNNING_NAME).unlink(missing_ok=True)
    except OSError as error:  # it counts only while the record's lock is held
        log(f"{record / RUNNING_NAME} could not be removed: {error.strerror}")


def find_running(records: Path) -> list[RunningRecorder]:
    """The recorders that are writing into this directory of records now, by name of the record.

    One that died without taking its note along is left out: the lock on its record is free.
    """
    return [one for one in find_announced(records) if is_being_written(one.record)]


def find_announced(records: Path) -> list[RunningRecorder]:
    """The recorders that run in this directory of records, and those that died in it and whose record was not closed
    since, by name of the record."""
    found = (read_announcement(note.parent) for note in sorted(records.glob(f"*/{RUNNING_NAME}")))
    return [one for one in found if one is not None]


def read_announcement(record: Path) -> RunningRecorder | None:
    """What the recorder of this record said of itself, whether it still runs or not; None where it said nothing."""
    try:
        fields = json.loads(read_small(record / RUNNING_NAME, MOST_BYTES))
        plan = plan_from_json(json.dumps(fields["plan"]))
        return RunningRecorder(int(fields["pid"]), record, Path(plan.sockets), plan)
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError, WitnessError):
        return None

"""The look file of a study: who looked at responses by group, when, and at what; which study file was frozen before.

`unblinding.jsonl` in the directory of records, one JSON object a line. Every line has `when` (UTC), `by`, `before`
(SHA-256 of the line before, zeros for the first, so that a line that was taken out or changed shows) and one of

| key | is |
| --- | --- |
| `look` | 1, 2, 3 …; with `command`, `why`, `what` (`analyses`, for each study: `trigger`, `measure`, `test_name`, `horizon_s`, `within_s`, `median`, `contrasts`, `fixed_in_the_study`, `otherwise`; or the form of an export; `studies`, the digests of the study files; `judged_by`, the digest of another file that judged, or null) and `records` ({record id: digest}) |
| `frozen` | `{"study", "sha256"}`: the study file that is to judge |
| `lots` | `{"study", "site", "root", "lots"}`: a sealed order of assignment (`study/lots.py`) |

It holds no response, no verdict and no participant's code: records are named by their random ids, so that a withdrawal
leaves nothing here.
"""  # noqa: E501

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.record.disk import DISK, read_small, write_whole
from monitor.record.json_file import json_map

AUDIT_NAME = "unblinding.jsonl"
_ZEROS = "0" * 64
MOST_BYTES = 1 << 28
"""A thousand looks at a thousand records each have half of it."""
LOCK_TRIES, LOCK_PAUSE_S = 500, 0.02


@dataclass(frozen=True, slots=True)
class Look:
    """The look that was entered, and what is wrong with the file before it, in one sentence."""

    path: Path
    number: int
    fault: str | None


@dataclass(frozen=True, slots=True)
class Frozen:
    """The study file that was entered as the one that judges."""

    study: str
    sha256: str
    when: str
    by: str
    after_looks: int
    """Looks that had been entered before it: 0 where it was frozen in time."""


def enter_look(directory: Path, by: str, command: str, what: Mapping[str, Any], records: Mapping[str, str]) -> Look:
    """Enters a look; it is on disk on return. `records`: record id → digest; `what` may have a `why`.

    Raises `WitnessError` where it cannot be entered: then nothing may be shown.
    """
    analysis = dict(what)
    why = analysis.pop("why", "")

    def fields(lines: list[bytes]) -> Mapping[str, Any]:
        return {
            "look": _looks(lines) + 1,
            "command": command,
            "why": why,
            "what": analysis,
            "records": dict(sorted(records.items())),
        }

    lines = _enter(directory, by, fields, "so nothing is shown")
    number = _looks(lines) + 1
    return Look(directory / AUDIT_NAME, number, chain_fault(directory / AUDIT_NAME, lines))


def refuse_look_file(out: Path) -> None:
    """Raises `WitnessError` where what is to be written has the name of the look file: the first look would be entered
    into it, and written over."""
    if out.name == AUDIT_NAME:
        raise WitnessError(f"{out}: {AUDIT_NAME} is the name of the file of looks; give another one.")


def freeze(directory: Path, by: str, study: str, sha256: str) -> Frozen:
    """Enters the study file that is to judge; once more is nothing new. Raises `WitnessError` for another one than the
    file that was frozen before."""
    before = frozen(directory, study)
    if before is not None and before.sha256 != sha256:
        raise WitnessError(
            f"Another file of the study {study} was frozen on {before.when} by {before.by} (digest {before.sha256}); "
            "what is frozen stays. Judging by another file is possible with --study, and always says so."
        )
    if before is None:
        enter(directory, by, {"frozen": {"study": study, "sha256": sha256}}, "so nothing is frozen")
    found = frozen(directory, study)
    assert found is not None
    return found


def frozen(directory: Path, study: str) -> Frozen | None:
    """The study file that was frozen for a study of this name; None where there is none, or it cannot be read."""
    looks = 0
    for fields in entries(directory):
        looks += "look" in fields
        entered = fields.get("frozen")
        if isinstance(entered, dict) and entered.get("study") == study:
            when, by = str(fields.get("when")), str(fields.get("by"))
            return Frozen(study, str(entered.get("sha256")), when, by, looks)
    return None


def count_looks(directory: Path) -> int | None:
    """How many looks were entered; None where the file is there and cannot be read."""
    try:
        return _looks(_read(directory / AUDIT_NAME))
    except OSError:
        return None


def unreadable_lines(directory: Path, name: str) -> int:
    """How many lines were entered of which nothing can be read, such as one that a power cut left torn."""
    try:
        return sum(_fields(line) is None for line in _read(directory / name))
    except OSError:
        return 0


def entries(directory: Path, name: str = AUDIT_NAME) -> list[dict[str, Any]]:
    """What was entered, in order; lines that cannot be read are left out (`chain_fault` tells of them)."""
    try:
        lines = _read(directory / name)
    except OSError:
        return []
    return [fields for line in lines if (fields := _fields(line)) is not None]


def enter(directory: Path, by: str, fields: Mapping[str, Any], so: str, name: str = AUDIT_NAME) -> None:
    """Enters one line, with who, when and the digest of the line before; it is on disk on return.

    Raises `WitnessError` where it cannot be; `so` says in the error what does not happen then.
    """
    _enter(directory, by, lambda _: fields, so, name)


def _enter(
    directory: Path, by: str, fields: Callable[[list[bytes]], Mapping[str, Any]], so: str, name: str = AUDIT_NAME
) -> list[bytes]:
    """`fields`: of the lines before, which are given back. One process at a time: two that enter at once would follow
    the same line, and the file would look as if somebody had changed it. Of a line that failed nothing is left."""
    path = directory / name
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NONBLOCK, 0o600)
        try:
            is_locked = _locked(descriptor)
            before = read_small(path, MOST_BYTES)
            lines = before.splitlines()
            line = {
                **fields(lines),
                "when": datetime.now(UTC).isoformat(timespec="seconds"),
                "by": by,
                "before": _sum(lines[-1]) if lines else _ZEROS,
            }
            torn = bool(before) and not before.endswith(b"\n")
            text = ("\n" if torn else "") + json.dumps(line, ensure_ascii=False) + "\n"
            try:
                write_whole(DISK, descriptor, text.encode())
                os.fsync(descriptor)
            except OSError:
                if is_locked:  # else it may be another's line that would be taken back
                    os.ftruncate(descriptor, len(before))
                raise
        finally:
            os.close(descriptor)
        if not lines:
            DISK.sync_directory(directory)
    except OSError as error:
        raise _not_entered(path, error, so) from error
    return lines


def _locked(descriptor: int) -> bool:
    """Whether nobody else enters by now; False on a disk that knows no locks. Raises `OSError` where another process
    does not let go of it, as one that is stopped."""
    for _ in range(LOCK_TRIES):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            time.sleep(LOCK_PAUSE_S)
        except OSError:
            return False
    raise OSError(errno.EAGAIN, "another process has been entering one for ten seconds")


def chain_fault(path: Path, lines: list[bytes] | None = None) -> str | None:
    """What is wrong with the chain of lines, in one sentence; None where nothing is, or there is no file."""
    if lines is None:
        try:
            lines = _read(path)
        except OSError as error:
            return f"{path} cannot be read ({error.strerror or error}): what was entered there is not known."
    before = _ZEROS
    for place, line in enumerate(lines, start=1):
        fields = _fields(line)
        if fields is None or fields.get("before") != before:
            return (
                f"{path}: line {place} does not follow the line before it; the file was changed after it was written."
            )
        before = _sum(line)
    return None


def _read(path: Path) -> list[bytes]:
    try:
        return read_small(path, MOST_BYTES).splitlines()
    except FileNotFoundError:
        return []


def _not_entered(path: Path, error: OSError, so: str) -> WitnessError:
    return WitnessError(
        f"{path}: nothing can be entered ({error.strerror}), {so}; make the directory writable, or work on a copy "
        "of it."
    )


def _looks(lines: list[bytes]) -> int:
    return sum("look" in (_fields(line) or {}) for line in lines)


def _fields(line: bytes) -> dict[str, Any] | None:
    try:
        return json_map(line)
    except ValueError:
        return None


def _sum(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()

"""Who looked at responses by group, when, and at what: one line for each look, in the directory of records.

`unblinding.jsonl`, one JSON object a line: `look` (1, 2, 3 …), `when` (UTC), `by`, `command`, `what` (what was shown),
`records` ({record: digest}) and `before` (SHA-256 of the line before, zeros for the first), so that a line that was
taken out or changed shows. It holds no response and no verdict.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError

AUDIT_NAME = "unblinding.jsonl"


@dataclass(frozen=True, slots=True)
class Look:
    """The look that was entered, and what is wrong with the file before it, in one sentence."""

    path: Path
    number: int
    fault: str | None


def enter_look(directory: Path, by: str, command: str, what: Mapping[str, Any], records: Mapping[str, str]) -> Look:
    """Enters a look; it is on disk on return. Raises `WitnessError` where it cannot be: then nothing may be shown."""
    path = directory / AUDIT_NAME
    try:
        lines = path.read_bytes().splitlines() if path.exists() else []
        number = len(lines) + 1
        fields = {
            "look": number,
            "when": datetime.now(UTC).isoformat(timespec="seconds"),
            "by": by,
            "command": command,
            "what": dict(what),
            "records": dict(sorted(records.items())),
            "before": _sum(lines[-1]) if lines else "0" * 64,
        }
        torn = bool(lines) and not path.read_bytes().endswith(b"\n")
        line = ("\n" if torn else "") + json.dumps(fields, ensure_ascii=False) + "\n"
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            os.write(descriptor, line.encode())
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise WitnessError(
            f"{path}: the look cannot be entered ({error.strerror}), so nothing is shown; "
            "make the directory writable, or work on a copy of it."
        ) from error
    return Look(path, number, _fault(path, lines))


def looks_at(directory: Path) -> int:
    """How often somebody has looked at responses in this directory, by its file of looks."""
    try:
        return len((directory / AUDIT_NAME).read_bytes().splitlines())
    except FileNotFoundError:
        return 0
    except OSError as error:
        raise WitnessError(f"{directory / AUDIT_NAME} cannot be read: {error.strerror}.") from error


def _fault(path: Path, lines: list[bytes]) -> str | None:
    before = "0" * 64
    for place, line in enumerate(lines, start=1):
        try:
            fits = json.loads(line)["before"] == before
        except (ValueError, KeyError, TypeError):
            fits = False
        if not fits:
            return (
                f"{path}: line {place} does not follow the line before it; the file was changed after it was written."
            )
        before = _sum(line)
    return None


def _sum(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()

"""Whether a process is there: gone, stopped by a signal, or there."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

ProcessState = Literal["gone", "stopped", "there"]


def process_state(pid: int) -> ProcessState:
    """As the system's table of processes says; where there is none, whether it can be asked at all."""
    try:
        # the name, in brackets, may hold anything; the state is the first word after it
        state = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()[0]
    except (OSError, IndexError):
        return _by_asking(pid)
    if state in "ZX":
        return "gone"
    return "stopped" if state in "Tt" else "there"


def _by_asking(pid: int) -> ProcessState:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return "gone"
    except OSError:
        return "there"
    return "there"

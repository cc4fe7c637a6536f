"""Where files of a test lie in memory, so that syncing hundreds of records waits for no disk."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

MEMORY = Path("/dev/shm")
ROOM_BYTES = 1 << 30


def in_memory(otherwise: Path | None = None) -> Path | None:
    """A directory in memory, where the machine has room there. What fails at a disk is injected, or is a disk of the
    test's own: nothing depends on the one below."""
    usable = MEMORY.is_dir() and os.access(MEMORY, os.W_OK | os.X_OK) and shutil.disk_usage(MEMORY).free > ROOM_BYTES
    return MEMORY if usable else otherwise

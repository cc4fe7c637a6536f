"""Memory in large pages, so that a verdict after an idle moment is not slowed down by looking up where things lie.

Between two frames nothing is done for some 15 ms, and by then the processor has forgotten where the pages of a process
lie: judging a fire takes 3.7 ms then, and 2.5 ms where nothing idled before it; in pages of 2 MiB instead of 4 KiB it
takes 2.9 ms (measured on a virtual machine, which looks each of them up twice). Linux gives them to who asks; where it
does not, or on another system, all stays as it was.
"""

from __future__ import annotations

import ctypes
import mmap
import re
from collections.abc import Iterator
from pathlib import Path

LARGE = 2 << 20
"""Bytes of a large page."""
AT_ONCE = 2
"""So many are made before whoever asks may go on with something else: 6 ms."""
LEAST_SHARE = 0.5
"""An area that is used less is left alone, such as the stack of a thread: large pages would fill all of it."""

_AREAS = Path("/proc/self/smaps")
_AREA = re.compile(
    r"^([0-9a-f]+)-([0-9a-f]+) rw-p 0+ 00:00 0 *(?:\[heap\])?\n(?:\w+: .*\n)*?Rss: +([0-9]+) kB$", re.MULTILINE
)
_COLLAPSE = 25
"""`MADV_COLLAPSE` of Linux 6.1 on, which Python's `mmap` does not name: now, and not when the system finds the time."""


def take_large_pages() -> Iterator[None]:
    """Asks for large pages for what this process has in memory now, some at a time."""
    advise = getattr(mmap, "MADV_HUGEPAGE", None)
    if advise is None:
        return
    try:
        said = _AREAS.read_text(encoding="utf-8", errors="replace")
        call = ctypes.CDLL(None).madvise
    except (OSError, AttributeError):
        return
    call.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
    for first, stop in used_areas(said):
        for at in range(first, stop, AT_ONCE * LARGE):
            length = min(AT_ONCE * LARGE, stop - at)
            call(at, length, advise)
            call(at, length, _COLLAPSE)  # refused by an older system, which then does it by and by
            yield


def used_areas(said: str) -> list[tuple[int, int]]:
    """Begin and end of the areas of `/proc/self/smaps` that large pages are for: memory that was asked for and is used,
    whole large pages of it alone."""
    found = []
    for begin, end, used_kib in _AREA.findall(said):
        first, stop = -(-int(begin, 16) // LARGE) * LARGE, int(end, 16) // LARGE * LARGE
        if first < stop and 1024 * int(used_kib) >= LEAST_SHARE * (int(end, 16) - int(begin, 16)):
            found.append((first, stop))
    return found

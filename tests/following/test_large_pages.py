"""Memory in large pages: which areas they are asked for, and that all in them stays as it was."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from monitor.following import large_pages
from monitor.following.large_pages import LARGE, take_large_pages, used_areas


def area(begin: int, end: int, used_kib: int, name: str = "", how: str = "rw-p", inode: int = 0) -> str:
    """One area as Linux tells of it (proc_pid_smaps, from memory)."""
    head = f"{begin:x}-{end:x} {how} 00000000 00:00 {inode}" + (f"{name:>40}" if name else " ")
    return f"{head}\nSize: {(end - begin) >> 10} kB\nKernelPageSize:        4 kB\nRss: {used_kib:>18} kB\nPss: 0 kB\n"


def test_whole_large_pages_of_memory_that_is_used_are_asked_for() -> None:
    base = 0x7F0000000000
    said = "".join(
        (
            area(0x555555550000, 0x555555550000 + 5 * LARGE, 9000, "[heap]"),
            area(base + 4096, base + 3 * LARGE, 5000),
            area(base + 8 * LARGE, base + 12 * LARGE, 4000),  # less than half of it is used
            area(base + 16 * LARGE, base + 17 * LARGE - 4096, 2000),  # no whole one in it
            area(base + 20 * LARGE, base + 24 * LARGE, 8000, "[stack]"),
            area(base + 30 * LARGE, base + 34 * LARGE, 8000, "/usr/lib/a library.so", inode=77),
            area(base + 40 * LARGE, base + 44 * LARGE, 8000, how="r--p"),
            area(base + 50 * LARGE, base + 54 * LARGE, 8192),
        )
    )
    assert used_areas(said) == [
        (0x555555600000, 0x555555600000 + 4 * LARGE),
        (base + LARGE, base + 3 * LARGE),
        (base + 50 * LARGE, base + 54 * LARGE),
    ]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems are not asked")
def test_what_is_in_memory_stays_as_it_was_and_lies_in_large_pages_where_the_system_gives_them() -> None:
    code = """
import hashlib, sys
from pathlib import Path
from monitor.following.large_pages import take_large_pages
def large_kib():
    said = Path("/proc/self/smaps_rollup").read_text()
    return int(said.split("AnonHugePages:")[1].split()[0])
held = [bytes([n % 251]) * 500 for n in range(60_000)]
def digest(): return hashlib.sha256(b"".join(held)).hexdigest()
before, had = digest(), large_kib()
steps = sum(1 for _ in take_large_pages())
print(before == digest(), steps, large_kib() - had)
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    same, steps, more_kib = said.stdout.split()
    assert same == "True"
    assert int(steps) >= 5  # 30 MB, some MiB at a time
    setting = Path("/sys/kernel/mm/transparent_hugepage/enabled")
    if setting.is_file() and "[never]" not in setting.read_text():
        assert int(more_kib) >= 10_000


def test_where_the_system_does_not_tell_of_its_memory_nothing_is_asked_for(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(large_pages, "_AREAS", tmp_path / "none")
    assert list(take_large_pages()) == []

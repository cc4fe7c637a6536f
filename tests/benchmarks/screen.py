"""The screen alone, in terminals of three sizes: a verdict in the view → its bytes; a key → the note box."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from pathlib import Path

from tests.benchmarks.measuring import Figure, percentile
from tests.benchmarks.processes import Terminal, wait_until

RECORD = Path(__file__).resolve().parents[2] / "replay_fixtures" / "gap-too-long.run"
SIZES = ((80, 24), (120, 36), (200, 60))
A_ROUND_S = 6.0
OPENING = b"NOTE at"
CLOSED_AFTER_S = 0.5
"""Longer than a screen takes to draw itself without the box."""


def measure(rounds: int) -> list[Figure]:
    """Some eight verdicts and eight notes a round at each size."""
    figures = []
    for columns, rows in SIZES:
        verdicts_ms, notes_ms = _measured(columns, rows, rounds)
        for what, found_ms, most in (
            (f"verdict in the view → on a terminal of {columns}×{rows}", verdicts_ms, None),
            (f"key → note box, {columns}×{rows}", notes_ms, 2000.0),
        ):
            remark = f"of {len(found_ms)}, 99 of 100 within {percentile(found_ms, 0.99):.0f} ms"
            figures.append(Figure(what, tuple(found_ms), "ms", at_most=most, remark=remark))
    return figures


def _measured(columns: int, rows: int, rounds: int) -> tuple[list[float], list[float]]:
    told_fd, told_in = os.pipe()
    command = [sys.executable, str(Path(__file__).with_name("screen_child.py")), str(RECORD), str(told_in)]
    terminal = Terminal(command, columns, rows, keep=(told_in,))
    os.close(told_in)
    told: list[tuple[bytes, int]] = []
    reader = threading.Thread(target=_read, args=(told_fd, told), daemon=True)
    reader.start()
    try:
        wait_until("the first verdict", lambda: told)
        time.sleep(A_ROUND_S * rounds)
        verdicts_ms = [_ms_until(terminal, words, since) for words, since in told[:-1]]
        notes_ms = [_note_ms(terminal) for _ in range(8 * rounds)]
    finally:
        terminal.close()
        reader.join(5)
        os.close(told_fd)
    return [one for one in verdicts_ms if one is not None], notes_ms


def _read(fd: int, told: list[tuple[bytes, int]]) -> None:
    with os.fdopen(os.dup(fd)) as lines:
        for line in lines:
            words, at_ns = json.loads(line)
            told.append((words.encode(), at_ns))


def _ms_until(terminal: Terminal, words: bytes, since_ns: int) -> float | None:
    """Milliseconds until the words came in; None where they did not."""
    at = next((at for at, piece in list(terminal.pieces) if at >= since_ns and words in piece), None)
    return None if at is None else (at - since_ns) / 1e6


def _note_ms(terminal: Terminal) -> float:
    """From the press of the key until the box is written to the terminal; the box is closed again."""
    since_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    terminal.type("n")
    wait_until("the note box", lambda: _ms_until(terminal, OPENING, since_ns))
    terminal.type("\x1b")
    time.sleep(CLOSED_AFTER_S)
    opened = _ms_until(terminal, OPENING, since_ns)
    assert opened is not None
    return opened

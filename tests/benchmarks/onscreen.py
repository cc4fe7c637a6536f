"""What can be known before a fire → its word on a terminal: from the message that shows it to the bytes of the word.

Drives in real time with the real recorder and screen, at three sizes. Afterwards the record is walked frame by frame:
the first one at which the heading would say another word is the message from which it could be known. Words that last
less than a third of a second are no news.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from monitor.following.building import Viewing, build_view
from monitor.following.heading.table import headings
from monitor.following.view import RecorderView
from monitor.judging.session import Session
from monitor.record.entries import EntryKind
from monitor.record.reader import RecordReading
from monitor.screens.drawing.glyphs import large
from monitor.study.loading import parse_study
from tests.benchmarks.measuring import Figure, percentile
from tests.benchmarks.processes import GROUP_FOR_MEASURING, Terminal, children_of, program, running, wait_until
from tests.benchmarks.shares import STUDY

SIZES = ((80, 24), (120, 36), (200, 60))
SCENARIOS = ("gap-too-long", "drifting")
BEFORE = ("READY", "HOLD", "LOSING", "LET IT RUN", "NOT YET", "LATER")
LASTS_NS = 333_000_000
COARSE = 15
"""Messages from one that is looked at first to the next: a quarter of a second at 60 Hz."""
GIVE_UP_S = 3.0
RECORDING = RecorderView("recording", 400.0, 0, "")


def measure(rounds: int) -> list[Figure]:
    """One drive of each scenario at each size a round; a drive lasts a minute."""
    figures = []
    for columns, rows in SIZES:
        found = [one for _ in range(rounds) for name in SCENARIOS for one in _of_a_drive(name, columns, rows)]
        took_s = tuple(seconds for _, seconds in found)
        slowest, most_s = max(found, key=lambda one: one[1])
        remark = f"{len(found)} changes of the heading; the slowest to {slowest}, {most_s:.2f} s"
        figures.append(Figure(f"known before a fire → on {columns}×{rows}", took_s, "s", at_most=0.3, remark=remark))
        figures.append(Figure("the same, 9 of 10 within", (percentile(took_s, 0.9),), "s", at_most=0.3))
    return figures


def _of_a_drive(scenario: str, columns: int, rows: int) -> list[tuple[str, float]]:
    """Each word that headed the screen before a fire, and the seconds until it was there."""
    room = Path(tempfile.mkdtemp(prefix="twb-", dir="/tmp"))
    drive = program("simulate", "--json", "--wait", "30", "--scenario", scenario, "--group", "chime")
    try:
        with running([*drive, "--participant", "Q01"], stdout=subprocess.PIPE) as simulator:
            assert simulator.stdout is not None
            endpoint = json.loads(simulator.stdout.readline())["endpoint"]
            watch = ("watch", "--study", str(STUDY), "--feed", endpoint, "--participant", "Q01", *GROUP_FOR_MEASURING)
            terminal = Terminal(program(*watch, "--records", str(room)), columns, rows)
            pid = terminal.process.pid
            wait_until("the recorder", lambda: children_of(pid, "monitor.recorder"))
            (recorder,) = children_of(pid, "monitor.recorder")
            time.sleep(3.0)
            terminal.type("\x1b")  # closes the preflight
            simulator.wait()
            time.sleep(1.0)
            os.kill(recorder, signal.SIGTERM)
            terminal.close()
        (record,) = room.glob("*.run")
        return [(word, _seconds(terminal, word, at_ns)) for word, at_ns in _known(record)]
    finally:
        shutil.rmtree(room, ignore_errors=True)


def _known(record: Path) -> list[tuple[str, int]]:
    """Each word before a fire that lasted, and when the message came in from which it could be known."""
    coarse = _said(record, lambda at: at % COARSE == 0)
    # a word that lasts a third of a second stands at one of these; from which message on is looked at by each between
    turns = {at for (at, _, word), (_, _, before) in zip(coarse[1:], coarse, strict=False) if word != before}
    fine = _said(record, lambda at: -at % COARSE + at in turns or at in turns)
    said: list[tuple[str, int]] = []
    for _, at_ns, word in sorted({*coarse, *fine}):
        if not said or said[-1][0] != word:
            said.append((word, at_ns))
    ends = [at_ns for _, at_ns in said[1:]]
    lasting = [(word, at_ns) for (word, at_ns), end in zip(said, ends, strict=False) if end - at_ns >= LASTS_NS]
    return [(word, at_ns) for place, (word, at_ns) in enumerate(lasting) if place > 1 and word in BEFORE]


def _said(record: Path, is_asked: Callable[[int], bool]) -> list[tuple[int, int, str]]:
    """Number, receipt and the heading's word as of each message that is asked about."""
    reading = RecordReading(record)
    session = Session(parse_study(reading.opening.study_text, str(record)), reading.opening)
    said = []
    for entry in (entry for block in reading.blocks() for entry in block):
        session.take([entry])
        if entry.kind is EntryKind.MESSAGE and is_asked(entry.number):
            view = build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1))
            said.append((entry.number, entry.monotonic_ns, headings(view)[0][1].word))
    return said


def _seconds(terminal: Terminal, word: str, since_ns: int) -> float:
    """Until the large word was written."""
    wanted = [large(word, scale=scale)[0].rstrip().encode() for scale in (1, 2)] + [word.encode()]
    before = b""
    for at, piece in terminal.pieces:
        if at > since_ns and any(one in before + piece for one in wanted):
            return min((at - since_ns) / 1e9, GIVE_UP_S)
        before = piece[-max(map(len, wanted)) :]
    return GIVE_UP_S

"""A deciding message taken in by the recorder → the verdict in the view → the verdict's bytes on a terminal."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import monitor.following.live
from monitor.archive.review import review_record
from monitor.feed.decode import decode_message
from monitor.feed.schema import Marker
from monitor.following.beginning import Driving, Listening, begin_run
from monitor.following.slot import LiveProvider
from monitor.following.view import LiveView
from monitor.record.clock import SYSTEM_CLOCK
from monitor.record.entries import Entry, EntryKind, unpack_frames
from monitor.record.reader import RecordReading
from monitor.screens.drawing.glyphs import large
from monitor.study.demo import demo_study
from tests.benchmarks.measuring import Figure, percentile
from tests.benchmarks.processes import GROUP_FOR_MEASURING, Terminal, children_of, program, running, wait_until
from tests.benchmarks.shares import STUDY

ACKNOWLEDGED_EVERY_S = 0.37


def measure(rounds: int) -> list[Figure]:
    """Two drives of twelve seconds a round, with two verdicts each: at the fire, and when it is final."""
    room = Path(tempfile.mkdtemp(prefix="twb-", dir="/tmp"))
    try:
        to_view = _to_view(room, 2 * rounds)
        to_terminal = _to_terminal(room, 2 * rounds)
    finally:
        shutil.rmtree(room, ignore_errors=True)
    return [
        Figure("deciding message in → verdict in the view", to_view, "ms", remark=f"{len(to_view)} verdicts"),
        Figure("the same, 99 of 100 within", (percentile(to_view, 0.99),), "ms", at_most=5.0),
        Figure(
            "trigger marker in → verdict on a terminal of 120×36", to_terminal, "ms", remark="bytes of its large word"
        ),
        Figure("the same, 99 of 100 within", (percentile(to_terminal, 0.99),), "ms", at_most=80.0),
    ]


def _to_view(room: Path, drives: int) -> tuple[float, ...]:
    """Each first view that holds a trial's stage, less the receive time of the entry that decided it."""
    seen: dict[tuple[str, str], int] = {}
    kept = {name: getattr(monitor.following.live, name) for name in ("build_view", "with_trials")}

    def noted(make: Callable[..., LiveView | None]) -> Callable[..., LiveView | None]:
        def noting(*arguments: object, **named: object) -> LiveView | None:
            view = make(*arguments, **named)
            for trial in view.trials if view is not None else ():
                seen.setdefault((trial.id, trial.stage), SYSTEM_CLOCK.monotonic_ns())
            return view

        return noting

    for name, make in kept.items():
        setattr(monitor.following.live, name, noted(make))
    try:
        with _published(drives) as (endpoint, publisher):
            run = begin_run(demo_study(), Driving("Q01", "chime", is_new=True), Listening((endpoint,)), room)
            source = LiveProvider(run.follow("benchmark"))
            source.start()
            publisher.wait()
            time.sleep(1.0)
            source.end("measured")
            source.stop()
            wait_until("the record's end", lambda: not run.is_recorded)
    finally:
        for name, make in kept.items():
            setattr(monitor.following.live, name, make)
    received = {entry.number: entry.monotonic_ns for entry in _entries(run.record)}
    found = []
    for drive in review_record(run.record).session.drives:
        for track in drive.tracks["gate-brake"]:
            trial = f"{drive.log.index}/gate-brake/{track.occurrence}"
            assert track.marker is not None
            for stage, number in (("fired", track.marker.number), ("final", track.final_at)):
                assert number is not None
                if (trial, stage) in seen:
                    found.append((seen[trial, stage] - received[number]) / 1e6)
    return tuple(found)


def _to_terminal(room: Path, drives: int) -> tuple[float, ...]:
    records = room / "terminal"
    with _published(drives) as (endpoint, publisher):
        watch = ("watch", "--study", str(STUDY), "--feed", endpoint, "--participant", "Q01", *GROUP_FOR_MEASURING)
        terminal = Terminal(program(*watch, "--records", str(records)))
        while publisher.poll() is None:
            time.sleep(ACKNOWLEDGED_EVERY_S)
            terminal.type("a")  # so that the next verdict writes its large word anew
        time.sleep(1.0)
        for pid in children_of(terminal.process.pid, "monitor.recorder"):
            os.kill(pid, signal.SIGTERM)
        terminal.close()
    (record,) = records.glob("*.run")
    words = [large(word)[0].encode() for word in ("FIRED", "INVALID")]
    found = []
    for received_ns in (entry.monotonic_ns for entry in _entries(record) if _is_trigger(entry)):
        pieces = [piece for piece in terminal.pieces if piece[0] > received_ns]
        at = _first_with(words, pieces)
        if at is not None:
            found.append((at - received_ns) / 1e6)
    return tuple(found)


def _first_with(words: list[bytes], pieces: list[tuple[int, bytes]]) -> int | None:
    """When the first of the words was there; a terminal hands on 4 KiB at a time and cuts words."""
    before = b""
    for at, piece in pieces:
        if any(word in before + piece for word in words):
            return at
        before = piece[-max(map(len, words)) :]
    return None


@contextmanager
def _published(drives: int) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    command = [sys.executable, str(Path(__file__).with_name("drives.py")), str(drives)]
    with running(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        yield process.stdout.readline().strip(), process


def _entries(record: Path) -> list[Entry]:
    return [entry for block in RecordReading(record).blocks() for entry in block]


def _is_trigger(entry: Entry) -> bool:
    if entry.kind is not EntryKind.MESSAGE:
        return False
    message = decode_message(unpack_frames(entry.payload))
    return isinstance(message, Marker) and message.kind == "trigger"

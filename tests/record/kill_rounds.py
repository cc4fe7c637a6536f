"""Run as a program: writes a record in child processes that are killed with SIGKILL, round after round.

Arguments: directory of the record, rounds, seed. Prints one JSON object: the highest number that any child had
appended and the highest that was acknowledged as on disk, after all rounds, and the parts begun.
"""

from __future__ import annotations

import json
import os
import random
import signal
import struct
import sys
from pathlib import Path

from monitor.record.entries import EntryKind, Opening, pack_frames
from monitor.record.places import find_parts
from monitor.record.reader import RecordFiles
from monitor.record.writer import RecordWriter, Writing

TOKEN = struct.Struct("<cQ")


def payload(number: int) -> bytes:
    return pack_frames([b"frame", random.Random(number).randbytes(1000)])


def write_for_ever(path: Path, pipe: int) -> None:
    """Appends without a pause; tells of each entry appended and of each sync."""

    def synced(number: int) -> None:
        os.write(pipe, TOKEN.pack(b"s", number))

    writer = RecordWriter.resume(path, why="the recorder was started again", how=Writing(on_synced=synced))
    while True:
        note = writer.last % 50 == 0
        entry = writer.append(EntryKind.OPERATOR if note else EntryKind.MESSAGE, payload(writer.last + 1))
        if note:
            writer.sync_soon()
        os.write(pipe, TOKEN.pack(b"a", entry.number))


def one_round(path: Path, tokens: int) -> tuple[int, int]:
    """Kills the child after it has told so much; gives the highest numbers appended and acknowledged."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reading)
            write_for_ever(path, writing)
        finally:
            os._exit(1)
    os.close(writing)
    appended = acknowledged = 0
    with os.fdopen(reading, "rb") as pipe:
        for _ in range(tokens):
            kind, number = TOKEN.unpack(pipe.read(TOKEN.size))
            appended, acknowledged = (number, acknowledged) if kind == b"a" else (appended, number)
        os.kill(child, signal.SIGKILL)
        while len(token := pipe.read(TOKEN.size)) == TOKEN.size:
            kind, number = TOKEN.unpack(token)
            appended, acknowledged = (number, acknowledged) if kind == b"a" else (appended, number)
    os.waitpid(child, 0)
    return appended, acknowledged


def main() -> None:
    path, rounds, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    first = os.fork()
    if first == 0:
        opening = Opening("Q01", None, "dusk-road", "[study]", "00", (), {})
        RecordWriter.create(path, opening).append(EntryKind.TICK, b"")
        os._exit(0)  # left open, as if killed, with its lock and its sync thread gone
    os.waitpid(first, 0)
    dice = random.Random(seed)
    appended = acknowledged = lost = 0
    for _ in range(rounds):
        told, synced = one_round(path, dice.choice((0, 1, dice.randrange(400))))
        appended, acknowledged = max(appended, told), max(acknowledged, synced)
        if RecordFiles(path).last_number < max(appended, acknowledged):
            lost += 1
    parts = len(find_parts(path))
    print(json.dumps({"appended": appended, "acknowledged": acknowledged, "rounds_with_loss": lost, "parts": parts}))


if __name__ == "__main__":
    main()

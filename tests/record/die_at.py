"""Run as a program: lets a process die at its n-th call to the system while it closes, seals …, for every n.

Arguments: what (close, resume, recover, seal, withdraw), an empty directory. After each death the record left behind
is looked at. Prints one JSON object: {"deaths": …, "wrong": [sentences]}.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path

from monitor.errors import WitnessError
from monitor.record.disk import DiskCalls
from monitor.record.entries import EntryKind, Opening
from monitor.record.reader import RecordFiles, RecordWithdrawn
from monitor.record.recovery import recover_record
from monitor.record.sealing import seal_record
from monitor.record.tombstone import read_tombstone
from monitor.record.verify import verify_record
from monitor.record.withdrawing import withdraw_record
from monitor.record.writer import RecordWriter

MESSAGES = 6
DEAD = 42


class DyingDisk(DiskCalls):
    """Ends the process at the n-th call, half-way through a write."""

    def __init__(self, n: int) -> None:
        self.left = n

    def __getattribute__(self, name: str):  # type: ignore[no-untyped-def]
        found = object.__getattribute__(self, name)
        if name in ("open", "write", "datasync", "close", "sync_directory", "rename", "unlink"):
            self.left -= 1
            if self.left == 0:
                if name != "write":
                    os._exit(DEAD)
                return self._half
        return found

    def _half(self, descriptor: int, data: bytes) -> int:
        os.write(descriptor, data[: len(data) // 2])
        os._exit(DEAD)


def record(path: Path, disk: DiskCalls | None = None) -> RecordWriter:
    opening = Opening("Q01", None, "dusk-road", "[study]", "00", (), {})
    writer = RecordWriter.create(path, opening, disk=disk or DiskCalls())
    for _ in range(MESSAGES):
        writer.append(EntryKind.MESSAGE, bytes(200))
    return writer


def numbers(path: Path) -> list[int]:
    return [entry.number for block in RecordFiles(path).blocks() for entry in block]


def in_child(act: Callable[[], None]) -> int:
    child = os.fork()
    if child == 0:
        try:
            act()
        except BaseException as error:
            print(f"{type(error).__name__}: {error}", file=sys.stderr)
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def close_it(path: Path, n: int) -> None:
    disk = DyingDisk(10**9)
    writer = record(path, disk)
    disk.left = n
    writer.close("the drive ended")


def prepared_open(path: Path) -> None:
    assert in_child(lambda: (record(path), None)[1]) == 0  # its lock and threads end with that process


def prepared_closed(path: Path) -> None:
    record(path).close("the drive ended")


def after_close(path: Path) -> list[str]:
    wrong = []
    if numbers(path)[: MESSAGES + 1] != list(range(1, MESSAGES + 2)):
        wrong.append("entries are missing")
    if RecordFiles(path).state == "open":
        recover_record(path)
    if not verify_record(path).ok:
        wrong += verify_record(path).sentences()
    return wrong


def after_seal(path: Path) -> list[str]:
    wrong = []
    if numbers(path) != list(range(1, MESSAGES + 3)):
        wrong.append("entries are missing before sealing again")
    digest = RecordFiles(path).digest
    sealed = seal_record(path)
    if numbers(path) != list(range(1, MESSAGES + 3)) or sealed.digest != digest or not verify_record(path).ok:
        wrong.append("it is not the same after sealing again")
    left = sorted(file.name for file in path.iterdir())
    if left != ["record.sealed"]:
        wrong.append(f"files are left: {left}")
    return wrong


def after_withdraw(path: Path) -> list[str]:
    try:
        whole = numbers(path) == list(range(1, MESSAGES + 3))
    except RecordWithdrawn:
        whole = True
    except WitnessError as error:
        return [f"neither whole nor withdrawn: {error}"]
    withdraw_record(path, "someone else")
    left = sorted(file.name for file in path.iterdir())
    tombstone = read_tombstone(path) or {}
    return [] if whole and left == ["tombstone.json"] and tombstone.get("digest") else [f"left: {left}, {tombstone}"]


ACTS: dict[str, tuple[Callable[[Path], None] | None, Callable[[Path, int], object], Callable[[Path], list[str]]]] = {
    "close": (None, close_it, after_close),
    "resume": (prepared_open, lambda path, n: RecordWriter.resume(path, why="again", disk=DyingDisk(n)), after_close),
    "recover": (prepared_open, lambda path, n: recover_record(path, disk=DyingDisk(n)), after_close),
    "seal": (prepared_closed, lambda path, n: seal_record(path, disk=DyingDisk(n)), after_seal),
    "withdraw": (prepared_closed, lambda path, n: withdraw_record(path, "lead", disk=DyingDisk(n)), after_withdraw),
}


def main() -> None:
    prepare, act, check = ACTS[sys.argv[1]]
    base, deaths, wrong = Path(sys.argv[2]), 0, []
    for n in range(1, 1000):
        path = base / f"Q01-20250615T145320Z-{n:04x}.run"
        if prepare is not None:
            prepare(path)
        status = in_child(lambda path=path, n=n: (act(path, n), None)[1])  # type: ignore[misc]
        if status not in (0, DEAD):
            wrong.append(f"call {n}: it ended with {status}")
        deaths += status == DEAD
        wrong += [f"call {n}: {sentence}" for sentence in check(path)]
        if status == 0:
            break
    print(json.dumps({"deaths": deaths, "wrong": wrong}))


if __name__ == "__main__":
    main()

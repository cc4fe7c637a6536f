"""A record of an hour judged again, against a bare loop over the same bytes; and several records on all cores."""

from __future__ import annotations

import os
import subprocess
import time
import zlib
from pathlib import Path

import msgpack

from monitor.archive.kept.reading import forget_columns
from monitor.archive.review import review_record
from monitor.record.bytes.framing import DIGEST_BYTES, HEADER, HEADER_BYTES, TRAILER_BYTES
from monitor.record.bytes.parts import PART_HEADER_BYTES
from monitor.record.entries import EntryKind, unpack_frames
from monitor.record.reader import RecordReading
from tests.benchmarks.feeds import hour_record
from tests.benchmarks.measuring import Figure, in_turns
from tests.benchmarks.processes import program

HOURS = 1.0
RECORDS, EACH_HOURS = 4, 0.25


def measure(rounds: int) -> list[Figure]:
    record = hour_record(HOURS)
    count = read_bare(record)
    first = in_turns(min(rounds, 3), count, lambda: review_record(record), lambda: read_bare(record))
    forget_columns(record)
    review_record(record, keep=True)
    again = in_turns(min(rounds, 3), count, lambda: review_record(record, keep=True), lambda: read_bare(record))
    forget_columns(record)
    keeping = in_turns(
        min(rounds, 3),
        count,
        lambda: review_record(record, keep=True),
        lambda: read_bare(record),
        lambda: forget_columns(record),
    )
    reading = in_turns(min(rounds, 3), count, lambda: _read(record), lambda: read_bare(record))
    return [
        Figure(
            "`review` of one hour, against bare read, CRC-32 and unpack",
            first.costs,
            "× bare",
            at_most=2.0,
            remark=f"{first.remark}; {count} entries",
        ),
        Figure("the same, keeping its columns", keeping.costs, "× bare", at_most=2.0, remark=keeping.remark),
        Figure("the same, by the columns that were kept", again.costs, "× bare", at_most=0.3, remark=again.remark),
        Figure(
            "of it reading and checking alone (CRC-32, SHA-256 chain, order)",
            reading.costs,
            "× bare",
            remark=reading.remark,
        ),
        *_jobs(rounds),
    ]


def read_bare(record: Path) -> int:
    """Reads each entry, checks its body's CRC-32 and unpacks its message: no chain, no order, no damage."""
    count = 0
    for part in sorted(record.glob("part-*.twr")):
        with part.open("rb") as file:
            file.seek(PART_HEADER_BYTES)
            buffer, at = b"", 0
            while True:
                if at + HEADER_BYTES > len(buffer) or at + HEADER_BYTES + length_at(buffer, at) > len(buffer):
                    buffer, at = buffer[at:] + file.read(1 << 20), 0
                    if len(buffer) < HEADER_BYTES:
                        break
                _, _, length, _, kind, *_ = HEADER.unpack_from(buffer, at)
                begin = at + HEADER_BYTES
                stop = begin + length + DIGEST_BYTES
                if zlib.crc32(buffer[begin:stop]) != int.from_bytes(buffer[stop : stop + 4], "little"):
                    raise SystemExit(f"{part}: not as it was written")
                if kind == EntryKind.MESSAGE:
                    msgpack.unpackb(unpack_frames(buffer[begin : begin + length])[1])
                count += 1
                at = stop + 4
    return count


def length_at(buffer: bytes, at: int) -> int:
    """Bytes after the header of the entry there."""
    return int.from_bytes(buffer[at + 8 : at + 12], "little") + TRAILER_BYTES


def _read(record: Path) -> None:
    for _ in RecordReading(record).blocks():
        pass


def _jobs(rounds: int) -> list[Figure]:
    """Several records by `review`, one after the other and on all cores, by the clock."""
    records = [str(hour_record(EACH_HOURS, vehicles)) for vehicles in range(20, 20 + RECORDS)]
    cores = os.cpu_count() or 1
    if cores < 2:
        return []
    gains = []
    for _ in range(min(rounds, 3)):
        alone_s = _clock_s(records, 1)
        gains.append(alone_s / _clock_s(records, cores))
    remark = f"{RECORDS} records of {EACH_HOURS:g} h, by the clock"
    name = f"`review --jobs {cores}` against --jobs 1"
    return [Figure(name, tuple(gains), "× faster", at_least=1.7 if cores == 2 else None, remark=remark)]


def _clock_s(records: list[str], jobs: int) -> float:
    """Seconds by the clock to judge all of them for the first time."""
    for record in records:
        forget_columns(Path(record))
    began = time.monotonic()
    subprocess.run(program("review", "--json", "--jobs", str(jobs), *records), check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - began

"""What goes between a recorder and its followers, on two ipc sockets in a directory only the user may enter.

`entries` (PUB), one frame a message:

| first byte | rest                                                                                          |
| ---------- | --------------------------------------------------------------------------------------------- |
| `E`        | boot (u64, random per recorder process), first (u64, number of its first entry), then entries |
| `S`        | msgpack map: the recorder's state, four times a second (see `RecorderStatus`)                   |

Each entry: kind (u8), number (u64), monotonic and wall time of receipt (u64, i64, ns), length (u32), payload.

`inbox` (ROUTER), from a follower: `F` (I follow), or `O`, operator's entry; and while no disk takes what is to be
written: `P`, a directory of records in which to go on, or `L` (leave it, after the run was ended). Back: `A`, key (it
is on the disk).

All numbers little-endian. Both ends are of one program version; this is no archive format.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.record.entries import Entry, EntryKind, pack_map, unpack_map

ENTRIES = b"E"
STATUS = b"S"
FOLLOWING = b"F"
OPERATOR = b"O"
PLACE = b"P"
LEAVE = b"L"
SAVED = b"A"
MAX_OPERATOR_BYTES = 256 * 1024
"""Of one operator's entry, packed."""
MAX_KEY = 64
MAX_PATH = 4096
STATUS_EVERY_S = 0.25
FOLLOWING_EVERY_S = 1.0
BATCH_BYTES = 64 * 1024
"""A batch is sent when it has grown to this; with `BATCHES_QUEUED` it bounds what a stalled follower costs: 32 MiB."""
BATCHES_QUEUED = 500
"""For each follower. What goes beyond is left out for it; it sees the hole in the numbers and reads the record file."""

_BATCH = struct.Struct("<cQQ")
_ENTRY = struct.Struct("<BQQqI")
_KINDS = {kind.value: kind for kind in EntryKind}  # a fifth of the cost of calling the enumeration, for each entry


def entries_endpoint(sockets: Path) -> str:
    """Where a recorder publishes its entries and state."""
    return f"ipc://{sockets}/entries"


def inbox_endpoint(sockets: Path) -> str:
    """Where a recorder takes operator's entries."""
    return f"ipc://{sockets}/inbox"


class Batch:
    """Entries on their way out, as one message; filled in order, emptied by `take`."""

    def __init__(self, boot: int, first: int) -> None:
        self._head = _BATCH.pack(ENTRIES, boot, first)
        self._pieces = [self._head]
        self.size = 0

    def add(self, entry: Entry) -> None:
        """Appends an entry."""
        payload = entry.payload
        head = _ENTRY.pack(entry.kind, entry.number, entry.monotonic_ns, entry.wall_ns, len(payload))
        self._pieces.append(head)
        self._pieces.append(payload)
        self.size += len(head) + len(payload)

    def take(self) -> bytes:
        """The message; the batch is empty afterwards."""
        message = b"".join(self._pieces)
        self._pieces = [self._head]
        self.size = 0
        return message


def unpack_batch(message: bytes) -> tuple[int, int, list[Entry]]:
    """Boot, first and the entries of an `E` message."""
    _, boot, first = _BATCH.unpack_from(message)
    entries = []
    at = _BATCH.size
    while at < len(message):
        kind, number, monotonic_ns, wall_ns, length = _ENTRY.unpack_from(message, at)
        at += _ENTRY.size
        entries.append(Entry(_KINDS[kind], number, monotonic_ns, wall_ns, message[at : at + length]))
        at += length
    return boot, first, entries


@dataclass(frozen=True, slots=True)
class FeedLink:
    """How the connection to one endpoint stands: a `LinkState` and a sentence."""

    endpoint: str
    state: str
    sentence: str
    rebuilt: int
    """How often the connection had to be built again."""


@dataclass(frozen=True, slots=True)
class RecorderStatus:
    """The recorder as it said four times a second; `alive` is False when it has not said so for 1.5 s."""

    alive: bool
    boot: int = 0
    """Random number of the recorder process, 0 before one was heard."""
    pid: int = 0
    first: int = 0
    """Number of the first entry that this process wrote."""
    number: int = 0
    """Number of the last entry."""
    synced: int = 0
    """Number of the last entry known to be on the disk."""
    trouble: str | None = None
    """One sentence while something is wrong with the disk."""
    minutes_left: float | None = None
    """Until the disk is full at the rate of the last half minute; None before that is known."""
    age_s: float | None = None
    """Seconds since the simulator's last message; None before the first."""
    messages: int = 0
    """Taken by this process."""
    feeds: tuple[FeedLink, ...] = ()
    closed: str | None = None
    """The closing digest (hex) once the record is closed, and all of it is on the disk."""
    ending: bool = False
    """Whether the run was ended and no disk takes the end of its record."""
    left: int = 0
    """Entries that were left on no disk when the recorder ended."""
    place_said: str = ""
    """Why the directory that the operator named cannot be used; empty where it can."""
    record: str = ""
    """The record's directory, for who found the sockets and nothing else."""

    @property
    def unsynced(self) -> int:
        """Entries that are not known to be on the disk."""
        return max(0, self.number - self.synced)


def pack_status(fields: dict[str, Any]) -> bytes:
    """A message of the recorder's state; `fields` as in `RecorderStatus`, with `feeds` as lists of fields."""
    return STATUS + pack_map(fields)


def unpack_status(message: bytes) -> RecorderStatus:
    """The state in an `S` message, as of when it was sent."""
    fields = unpack_map(message[1:])
    fields["feeds"] = tuple(FeedLink(*link) for link in fields["feeds"])
    return RecorderStatus(alive=True, **fields)

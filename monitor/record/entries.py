"""What a run record is made of: entries, in the order in which the recorder took them.

Payloads by kind:

| kind       | payload                                                                                  |
| ---------- | ---------------------------------------------------------------------------------------- |
| `OPENING`  | msgpack map: what this run is (see `Opening`); the first entry of a record                |
| `MESSAGE`  | the frames of one feed message exactly as received (see `pack_frames`)                    |
| `OPERATOR` | msgpack map: note, mark, ruling, what was shown … (see `pack_operator`)                    |
| `TICK`     | empty; "time passed and nothing arrived", so that silence can be judged                    |
| `INTAKE`   | msgpack map {"event", "sentence", …}: connection lost, rebuilt, oversize, clock step, …    |
| `PART`     | msgpack map: first entry of every part after the first; why a new part was begun            |
| `CLOSE`    | msgpack map {"why", "entries"}: the run was closed in good order, or by `recover`           |
| `FURTHER`  | a message of a further source: its place among the opening's `feeds` (u16, from 1), then as `MESSAGE` |
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, NamedTuple

import msgpack

from monitor.errors import RecordUnreadable


class EntryKind(IntEnum):
    """Kinds of entries; the numbers are part of the record's format and never change meaning."""

    OPENING = 1
    MESSAGE = 2
    OPERATOR = 3
    TICK = 4
    INTAKE = 5
    PART = 6
    CLOSE = 7
    FURTHER = 8


class Entry(NamedTuple):
    """One entry: its kind, its number in the run (1, 2, 3 …) and the two receive times.

    A named tuple, because one is made for every message, several times, and a frozen data class costs four times that.
    `monotonic_ns` orders and measures (boot clock of the recorder's machine); `wall_ns` is a label only
    (nanoseconds since 1970, may step).
    """

    kind: EntryKind
    number: int
    monotonic_ns: int
    wall_ns: int
    payload: bytes


_COUNT = struct.Struct("<H")
_LENGTH = struct.Struct("<I")


def pack_frames(frames: list[bytes]) -> bytes:
    """The frames of one multi-part message as one payload: count (u16), then length (u32) and bytes of each."""
    pieces = [_COUNT.pack(len(frames))]
    for frame in frames:
        pieces.append(_LENGTH.pack(len(frame)))
        pieces.append(frame)
    return b"".join(pieces)


def unpack_frames(payload: bytes) -> list[bytes]:
    """The frames that `pack_frames` packed; raises `RecordUnreadable` where the payload is not of that shape."""
    if len(payload) < _COUNT.size:
        raise RecordUnreadable("a message entry is shorter than its own count of frames")
    (count,) = _COUNT.unpack_from(payload)
    at = _COUNT.size
    frames = []
    for _ in range(count):
        if at + _LENGTH.size > len(payload):
            raise RecordUnreadable("a message entry ends inside a frame's length")
        (length,) = _LENGTH.unpack_from(payload, at)
        at += _LENGTH.size
        if at + length > len(payload):
            raise RecordUnreadable("a message entry ends inside a frame")
        frames.append(payload[at : at + length])
        at += length
    return frames


def pack_further(source: int, frames: list[bytes]) -> bytes:
    """A message of the further source at place `source` (1, 2 …) of the opening's `feeds`; the simulator is at 0."""
    return _COUNT.pack(source) + pack_frames(frames)


def unpack_further(payload: bytes) -> tuple[int, bytes]:
    """The source's place, and the payload of the message as `pack_frames` packed it."""
    if len(payload) < _COUNT.size:
        raise RecordUnreadable("an entry of a further source is shorter than the source's place")
    return _COUNT.unpack_from(payload)[0], payload[_COUNT.size :]


@dataclass(frozen=True, slots=True)
class Opening:
    """What a run is, as entered once at its start. The recorder keeps it and does not read it."""

    participant: str
    group: str | None
    study_name: str
    study_text: str
    study_sha256: str
    feeds: tuple[str, ...]
    """Endpoints: the simulator's, then those of further sources."""
    versions: dict[str, str]
    exposures: tuple[dict[str, Any], ...] = ()
    """Evidence of earlier surprises of this participant: {"surprise_class", "naive", "record", "trial", "why"}."""

    exposures_known: bool = True
    """False where the earlier records could not all be read: then nobody counts as naive."""

    stratum: str | None = None
    """The participant's stratum, where the study assigns groups by strata."""

    standing: dict[str, Any] | None = None
    """How far the study was when the run began, by the records in the directory; None where nobody looked."""

    lot: dict[str, Any] | None = None
    """The sealed lot that gave the group: {"site", "stratum", "number", "group", "root"}; None where there was none."""

    pace: float | None = None
    """At how many times real time the feed is meant to run; None where it is not known, or was read from a file: then
    the times at which it was received say nothing of it."""


def pack_opening(opening: Opening) -> bytes:
    """The opening as a msgpack map."""
    return pack_map({name: getattr(opening, name) for name in Opening.__slots__})


def unpack_opening(payload: bytes) -> Opening:
    """The opening of a record; keys that this version does not know are left out."""
    fields = unpack_map(payload)
    known = {name: fields[name] for name in Opening.__slots__ if name in fields}
    lacking = sorted({"participant", "group", "study_name", "study_text", "study_sha256", "versions"} - known.keys())
    wrong = sorted(name for name, value in known.items() if not _is_usable(name, value))
    if lacking or wrong:
        raise RecordUnreadable(f"the record's opening entry has no usable {', '.join(lacking + wrong)}")
    for name in ("feeds", "exposures"):
        known[name] = tuple(known.get(name, ()))
    return Opening(**known)


def _is_usable(name: str, value: Any) -> bool:
    """Whether a value of the opening has the type of its field, all the way down."""
    if name == "pace":
        return value is None or (type(value) in (int, float) and math.isfinite(value) and value > 0.0)
    if name in ("group", "stratum"):
        return value is None or isinstance(value, str)
    if name in ("standing", "lot"):
        return value is None or (isinstance(value, dict) and _is_plain(value))
    if name == "feeds":
        return isinstance(value, list | tuple) and all(isinstance(one, str) for one in value)
    if name == "exposures":
        return isinstance(value, list | tuple) and all(isinstance(one, dict) and _is_plain(one) for one in value)
    if name == "versions":
        return isinstance(value, dict) and all(isinstance(one, str) for one in value.values())
    return isinstance(value, bool if name == "exposures_known" else str)


def _is_plain(value: Any) -> bool:
    """Whether a value is one that JSON has, too."""
    if isinstance(value, dict):
        return all(_is_plain(one) for one in value.values())
    if isinstance(value, list):
        return all(_is_plain(one) for one in value)
    return value is None or isinstance(value, str | bool | int) or (isinstance(value, float) and math.isfinite(value))


def pack_map(fields: dict[str, Any]) -> bytes:
    """A msgpack map of plain values with text keys. What of a text is none in UTF-8, as of a file's name or a key that
    was pressed, is written out with backslashes: it stops no run."""
    packed: bytes = msgpack.packb(fields, use_bin_type=True, unicode_errors="backslashreplace")
    return packed


def unpack_map(payload: bytes) -> dict[str, Any]:
    """The map in an entry of our own making; raises `RecordUnreadable` for anything else."""
    try:
        fields = msgpack.unpackb(payload, raw=False, strict_map_key=True, timestamp=0)
    except Exception as error:
        raise RecordUnreadable(f"an entry's payload is not a msgpack map ({error})") from error
    if not isinstance(fields, dict):
        raise RecordUnreadable(f"an entry's payload is not a msgpack map but {type(fields).__name__}")
    return fields


def pack_operator(fields: dict[str, Any]) -> bytes:
    """An operator's entry. Every one has `type`, `key` (unique, so that a repeated send is entered once), `by`, `wall`.

    | type      | further fields                                                                               |
    | --------- | -------------------------------------------------------------------------------------------- |
    | `note`    | `text`, `drive` (number or None), `at` (seconds of the drive at the key press, or None)        |
    | `mark`    | `code` (quick mark, such as "video-sync" or "unwell"), `text`, `drive`, `at`                   |
    | `ruling`  | `trial`, `verdict`, `reason`, `words`, `drive`, `at`; `seen` {`verdict`, `response`: whether they  |
    |           | were seen before, `looks`: looks entered by then, or None}: written once, with the ruling      |
    | `coding`  | `trial`, `verdict`, `reason`, `words`: a coder's, who saw neither verdict nor response; it is   |
    |           | never effective and lifts nothing                                                            |
    | `shown`   | `trial`, `verdict`, `stage`, `at`: what the operator was shown, entered by the writing screen  |
    | `reveal`  | `trial`, `at`, `words`: a blind trial's response was revealed                                  |
    | `eyes`    | `trial`, `value` (True: on the road), `at`: the operator's call where there is no gaze signal   |
    | `comfort` | `rating` (0–20), `drive`, `at`                                                                 |
    | `step`    | `step` (run sheet step name), `done`, `drive`, `at`                                            |
    | `end`     | `why`: asks the recorder to close the run                                                      |
    | of the day| `adverse`, `deviation`, `symptoms`, `fit`, `debrief`, `reminded`, `perceived`, `rehearsed`,       |
    |           | `carried`: their fields stand in `judging/day/log.py`                                          |
    """
    return pack_map(fields)

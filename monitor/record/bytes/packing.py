"""Entries of one block as few bytes: what changes little from one message to the next is written as its change.

The packed block is one zlib stream of: description length (u32), description (msgpack map), then the planes below,
one after the other. All integers are little-endian; arithmetic is modulo 2^64 (2^8 for bytes), so that every step can
be undone exactly whatever the bytes mean; nothing is ever read as a floating-point number.

Description: {"n": number of entries, "first": number of the first one, "groups": [[length, fields] …]}. Planes:

1. kinds: n bytes.
2. payload lengths, monotonic times, wall minus monotonic times: each n 64-bit numbers, as *words* of order 1, 2, 1.
3. for each group (payloads of one length, 8 or more of them, ascending): its bytes outside fields, each byte minus
   that of the payload before, column by column; then its fields as words.
4. all other payloads, as they are, in order of the entries.

`fields` is 5 bytes a field: offset (u32) and a code: bits 0–1 the order, bit 7 set where the eight bytes are
little-endian. *Words* of order k: the k-th difference down each column (zeros before the first row); for k > 0 signed
numbers folded (0, -1, 1, -2 … become 0, 1, 2, 3 …); then the most significant bytes of all columns, column by column,
then the next ones.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Any

import msgpack
import numpy as np
from numpy.typing import NDArray

from monitor.errors import RecordUnreadable
from monitor.record.bytes.framing import MAX_PAYLOAD
from monitor.record.entries import Entry, EntryKind

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]

LEAST_ROWS = 8
LITTLE = 0x80
HIGHEST_ORDER = 3
LEVEL = 6
_FIELD = struct.Struct("<IB")
_LENGTH = struct.Struct("<I")
_KINDS = {int(kind): kind for kind in EntryKind}


def pack_entries(entries: list[Entry]) -> tuple[bytes, int]:
    """Entries of consecutive numbers as one zlib stream, and the number of bytes in it."""
    lengths = np.array([len(entry.payload) for entry in entries], dtype=np.uint64)
    monotonic = np.array([entry.monotonic_ns for entry in entries], dtype=np.uint64)
    wall = np.array([entry.wall_ns for entry in entries], dtype=np.int64).view(np.uint64)
    planes = [bytes(entry.kind for entry in entries)]
    planes += [_words(line[None, :], [order]) for line, order in ((lengths, 1), (monotonic, 2), (wall - monotonic, 1))]
    groups, grouped = [], np.zeros(len(entries), dtype=bool)
    for length, rows in _rows_by_length(lengths):
        grouped[rows] = True
        joined = b"".join(entries[row].payload for row in rows)
        table = np.frombuffer(joined, dtype=np.uint8).reshape(len(rows), length)
        offsets, little = _eight_byte_fields(entries[rows[0]].payload)
        words = np.empty((len(offsets), len(rows)), dtype=np.uint64)
        for run in _runs(offsets, little):
            words[run.columns] = run.view(table).T
        orders = _best_orders(words)
        rest = table.T[_outside(length, offsets)]
        planes.append(np.diff(rest, axis=1, prepend=np.zeros((rest.shape[0], 1), np.uint8)).tobytes())
        planes.append(_words(words, orders))
        codes = [order | (LITTLE if is_little else 0) for order, is_little in zip(orders, little, strict=True)]
        groups.append([length, b"".join(map(_FIELD.pack, offsets, codes))])
    planes += [entries[row].payload for row in np.flatnonzero(~grouped)]
    described: bytes = msgpack.packb({"n": len(entries), "first": entries[0].number, "groups": groups})
    plain = b"".join([_LENGTH.pack(len(described)), described, *planes])
    return zlib.compress(plain, LEVEL), len(plain)


def unpack_entries(packed: bytes, plain_length: int) -> list[Entry]:
    """The entries of a block; raises `RecordUnreadable` where the bytes are not of this shape."""
    try:
        stream = zlib.decompressobj()
        plain = stream.decompress(packed, plain_length)
        if len(plain) != plain_length or stream.unconsumed_tail:
            raise RecordUnreadable("a sealed block has not the length that it states")
        return _entries(_Planes(plain))
    except (zlib.error, ValueError, KeyError, TypeError, IndexError, struct.error, OverflowError) as error:
        raise RecordUnreadable(f"a sealed block cannot be unpacked ({error})") from error


def _entries(planes: _Planes) -> list[Entry]:
    (length,) = _LENGTH.unpack(planes.take(_LENGTH.size))
    description: dict[str, Any] = msgpack.unpackb(planes.take(length))
    n, first = int(description["n"]), int(description["first"])
    kinds = planes.take(n)
    lengths = planes.words(n, [1])[0]
    monotonic = planes.words(n, [2])[0]
    wall = (planes.words(n, [1])[0] + monotonic).view(np.int64)
    if lengths.size and int(lengths.max()) > MAX_PAYLOAD:
        raise RecordUnreadable("a sealed block states a payload over the limit")
    payloads: list[bytes] = [b""] * n
    grouped = np.zeros(n, dtype=bool)
    last = 0
    for length, fields in description["groups"]:
        if length <= last:  # ascending: so that no group is unpacked over and over
            raise ValueError("its groups do not ascend")
        last = length
        rows = np.flatnonzero(lengths == length)
        grouped[rows] = True
        offsets, orders, little = [], [], []
        for offset, code in _FIELD.iter_unpack(fields):
            offsets.append(offset)
            orders.append(code & HIGHEST_ORDER)
            little.append(bool(code & LITTLE))
        if not 0 < length <= MAX_PAYLOAD or len(rows) * length > planes.left:
            raise ValueError("a group of payloads does not fit")
        outside = _outside(length, offsets)
        table = np.empty((len(rows), length), dtype=np.uint8)
        change = planes.take(len(rows) * int(outside.sum()))
        change_lines = np.frombuffer(change, dtype=np.uint8).reshape(-1, len(rows))
        table[:, outside] = np.cumsum(change_lines, axis=1, dtype=np.uint8).T
        words = planes.words(len(rows), orders)
        for run in _runs(offsets, little):
            run.view(table)[...] = words[run.columns].T
        whole = table.tobytes()
        for index, row in enumerate(rows.tolist()):
            payloads[row] = whole[index * length : (index + 1) * length]
    for row in np.flatnonzero(~grouped).tolist():
        payloads[row] = planes.take(int(lengths[row]))
    planes.finish()
    columns = zip(kinds, monotonic.tolist(), wall.tolist(), payloads, strict=True)
    return [Entry(_KINDS[k], first + at, mono, label, payload) for at, (k, mono, label, payload) in enumerate(columns)]


class _Planes:
    """The unpacked bytes, taken from the front."""

    def __init__(self, plain: bytes) -> None:
        self._plain = plain
        self._at = 0

    @property
    def left(self) -> int:
        """Bytes not taken yet."""
        return len(self._plain) - self._at

    def take(self, size: int) -> bytes:
        if size < 0 or self._at + size > len(self._plain):
            raise ValueError("it ends too early")
        self._at += size
        return self._plain[self._at - size : self._at]

    def words(self, rows: int, orders: list[int]) -> Words:
        """Undoes `_words`: one line of `rows` numbers for each column."""
        columns = len(orders)
        raw = np.frombuffer(self.take(rows * columns * 8), dtype=np.uint8).reshape(8, columns, rows)
        split = np.empty((columns, rows, 8), dtype=np.uint8)
        if columns == 1:  # eight steps would take half the time of a small block
            split[0] = raw[::-1, 0].T
        else:
            for place in range(8):
                split[:, :, 7 - place] = raw[place]
        words = split.view("<u8")[:, :, 0].astype(np.uint64, copy=False)
        kinds = {*orders}
        of_order = np.array(orders, dtype=np.uint8)
        for order in kinds - {0}:
            here = slice(None) if len(kinds) == 1 else np.flatnonzero(of_order == order)
            part = words[here]
            part = (part >> np.uint64(1)) ^ (np.uint64(0) - (part & np.uint64(1)))
            for _ in range(order):
                np.add.accumulate(part, axis=1, out=part)
            words[here] = part
        return words

    def finish(self) -> None:
        if self._at != len(self._plain):
            raise ValueError("bytes are left over")


def _words(words: Words, orders: list[int]) -> bytes:
    """Lines of numbers, one for each column, as differences of the orders given, folded, in byte planes."""
    out = words.copy()
    of_order = np.array(orders, dtype=np.uint8)
    for order in {*orders} - {0}:
        here = of_order == order
        out[here] = _folded(_difference(words[here], order))
    columns, rows = out.shape
    split = out.astype("<u8").reshape(columns, rows, 1).view(np.uint8)
    return split.transpose(2, 0, 1)[::-1].tobytes()


def _difference(words: Words, order: int) -> Words:
    for _ in range(order):
        words = np.diff(words, axis=1, prepend=np.zeros((words.shape[0], 1), np.uint64))
    return words


def _folded(words: Words) -> Words:
    sign = np.uint64(0) - (words >> np.uint64(63))
    return (words << np.uint64(1)) ^ sign


def _best_orders(words: Words) -> list[int]:
    """For each column the order that leaves the fewest bits."""
    forms = [words, *(_folded(_difference(words, order)) for order in range(1, HIGHEST_ORDER + 1))]
    costs = [np.log2(form.astype(np.float64) + 1.0).sum(axis=1) for form in forms]
    best: list[int] = np.argmin(np.stack(costs), axis=0).tolist()
    return best


def _rows_by_length(lengths: Words) -> list[tuple[int, list[int]]]:
    found, counts = np.unique(lengths, return_counts=True)
    wanted = found[(counts >= LEAST_ROWS) & (found > 0)]
    return [(int(length), np.flatnonzero(lengths == length).tolist()) for length in wanted]


def _outside(length: int, offsets: list[int]) -> NDArray[np.bool_]:
    """Which bytes of a payload belong to no field; raises `ValueError` for fields that overlap or stand outside."""
    outside = np.ones(length, dtype=bool)
    end = 0
    for offset in offsets:
        if offset < end or offset + 8 > length:
            raise ValueError("its fields do not fit")
        end = offset + 8
        outside[offset:end] = False
    return outside


@dataclass(frozen=True, slots=True)
class _Run:
    """Fields that stand side by side in a payload."""

    offset: int
    little: bool
    columns: slice

    def view(self, table: Bytes) -> Words:
        """These fields of a table of payloads (rows, bytes), to read or to write."""
        rows, length = table.shape
        count = self.columns.stop - self.columns.start
        kind = "<u8" if self.little else ">u8"
        return np.ndarray((rows, count), dtype=kind, buffer=table, offset=self.offset, strides=(length, 8))


def _runs(offsets: list[int], little: list[bool]) -> list[_Run]:
    found: list[_Run] = []
    for column, (offset, is_little) in enumerate(zip(offsets, little, strict=True)):
        last = found[-1] if found else None
        if last is not None and (last.little, last.offset + 8 * (column - last.columns.start)) == (is_little, offset):
            found[-1] = _Run(last.offset, is_little, slice(last.columns.start, column + 1))
        else:
            found.append(_Run(offset, is_little, slice(column, column + 1)))
    return found


def _eight_byte_fields(payload: bytes) -> tuple[list[int], list[bool]]:
    """Offsets of the 64-bit numbers of a message, and whether they are little-endian: a guess that costs only size.

    Looks for msgpack's 64-bit numbers (big-endian) and for binary values whose length is a multiple of eight (columns
    of little-endian numbers), in the frames of the message.
    """
    offsets: list[int] = []
    little: list[bool] = []
    at = 2
    while at + 4 <= len(payload):
        (length,) = _LENGTH.unpack_from(payload, at)
        at += 4
        if at + length > len(payload):
            break
        _find_in_msgpack(payload, at, at + length, offsets, little)
        at += length
    return offsets, little


def _find_in_msgpack(raw: bytes, at: int, end: int, offsets: list[int], little: list[bool]) -> None:
    """Walks over msgpack from `at` to `end` as far as it can be followed; values one after the other, nesting aside."""
    while at < end:
        code = raw[at]
        at += 1
        if code in (0xCB, 0xCF, 0xD3) and at + 8 <= end:
            offsets.append(at)
            little.append(False)
            at += 8
        elif code in _LENGTH_BYTES:
            width = _LENGTH_BYTES[code]
            length = int.from_bytes(raw[at : at + width], "big")
            at += width
            if code in (0xC4, 0xC5, 0xC6) and length % 8 == 0 and at + length <= end:
                offsets.extend(range(at, at + length, 8))
                little.extend([True] * (length // 8))
            at += length
        else:
            at += _FIXED_BYTES.get(code, code & 0x1F if 0xA0 <= code < 0xC0 else 0)


_LENGTH_BYTES = {0xC4: 1, 0xC5: 2, 0xC6: 4, 0xD9: 1, 0xDA: 2, 0xDB: 4}
_FIXED_BYTES = {
    0xCA: 4, 0xCC: 1, 0xCD: 2, 0xCE: 4, 0xD0: 1, 0xD1: 2, 0xD2: 4,
    0xDC: 2, 0xDD: 4, 0xDE: 2, 0xDF: 4,
}  # fmt: skip

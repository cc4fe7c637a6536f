"""Reading the columns that were kept of a record."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import msgpack
import numpy as np

from monitor.archive.kept.layout import (
    CACHE_NAME,
    FOOT_BYTES,
    MAGIC,
    MOST_BYTES,
    ColumnsUnfit,
    unpack_block,
    unpack_foot,
    unpack_samples,
)
from monitor.archive.kept.others import vehicles_in
from monitor.archive.program import columns_fit
from monitor.judging.case.blocks import KeptRun, KeptSamples
from monitor.measures.columns import IntArray
from monitor.record.entries import Entry, EntryKind


@dataclass(frozen=True, slots=True)
class KeptChunk:
    """Some of a record's entries in order, the frames among them measured; beside them those of further sources (in
    order for each source), and number, monotonic and wall time of those that say nothing new, each of shape (n,)."""

    pieces: list[Entry | KeptRun]
    further: list[Entry | KeptSamples]
    silent: tuple[IntArray, IntArray, IntArray]


class KeptColumns:
    """The kept columns of a record; raises `ColumnsUnfit` where there are none, or where they do not fit."""

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            with (path / CACHE_NAME).open("rb") as file:
                if file.read(len(MAGIC)) != MAGIC:
                    raise ColumnsUnfit
                file.seek(-FOOT_BYTES, 2)
                tail_at, crc = unpack_foot(file.read())
                file.seek(tail_at)
                packed = file.read()[:-FOOT_BYTES]
            if zlib.crc32(packed) != crc:
                raise ColumnsUnfit
            tail: dict[str, Any] = msgpack.unpackb(packed)
            if tail["fits"] != columns_fit(path):
                raise ColumnsUnfit
            self.damage: tuple[str, ...] = tuple(tail["damage"])
            self.state: str = tail["state"]
            self.digest: str = tail["digest"]
            self._chunks: list[tuple[int, int]] = [(length, crc) for length, crc in tail["chunks"]]
        except (OSError, ValueError, KeyError, TypeError, msgpack.UnpackException) as error:
            raise ColumnsUnfit from error

    def chunks(self) -> Iterator[KeptChunk]:
        """All that was kept, in order."""
        try:
            with (self._path / CACHE_NAME).open("rb") as file:
                file.seek(len(MAGIC))
                for length, crc in self._chunks:
                    packed = file.read(length) if length <= MOST_BYTES else b""
                    if len(packed) != length or zlib.crc32(packed) != crc:
                        raise ColumnsUnfit
                    yield self._chunk_of(msgpack.unpackb(packed))
        except OSError as error:
            raise ColumnsUnfit from error

    def _chunk_of(self, chunk: dict[str, Any]) -> KeptChunk:
        pieces: list[Entry | KeptRun] = []
        whole: KeptRun | None = None
        if "columns" in chunk:
            block = unpack_block(chunk["columns"], partial(vehicles_in, self._path))
            whole = KeptRun(chunk["run"], block, *(np.frombuffer(one, np.int64) for one in chunk["received"]))
        for piece in chunk["pieces"]:
            if piece[0] == "entry":
                pieces.append(_entry(piece))
            else:
                assert whole is not None
                pieces.append(whole.part(piece[1], piece[2]))
        further = [_entry(one) if one[0] == "entry" else unpack_samples(one[1]) for one in chunk["further"]]
        number, monotonic_ns, wall_ns = (np.frombuffer(one, np.int64) for one in chunk["silent"])
        return KeptChunk(pieces, further, (number, monotonic_ns, wall_ns))


def forget_columns(path: Path) -> None:
    """Removes what is kept of a record, such as after sealing, when it fits no more."""
    with suppress(OSError):
        (path / CACHE_NAME).unlink()


def _entry(piece: list[Any]) -> Entry:
    return Entry(EntryKind(piece[1]), *piece[2:])

"""Reading the columns that were kept of a record."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import msgpack
import numpy as np

from monitor.archive.kept.layout import (
    CACHE_NAME,
    MAGIC,
    MOST_BYTES,
    ColumnsUnfit,
    Seals,
    tail_of,
    unpack_block,
    unpack_samples,
)
from monitor.archive.kept.others import vehicles_in
from monitor.archive.program import columns_fit
from monitor.judging.case.blocks import KeptRun, KeptSamples
from monitor.measures.columns import IntArray
from monitor.record.disk import open_regular
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

    def __init__(self, path: Path, digest: str) -> None:
        """`digest`: the record's own."""
        self._path = path
        try:
            self._fits = columns_fit(path, digest)
            with _opened(path) as file:
                packed, foot = tail_of(file)
            if not Seals(self._fits).holds_tail(foot, packed):
                raise ColumnsUnfit
            tail: dict[str, Any] = msgpack.unpackb(packed)
            self.damage: tuple[str, ...] = tuple(tail["damage"])
            self.state: str = tail["state"]
            self.digest: str = tail["digest"]
            self._chunks: list[tuple[int, bytes]] = [(length, seal) for length, seal in tail["chunks"]]
        except (OSError, ValueError, KeyError, TypeError, RecursionError, msgpack.UnpackException) as error:
            raise ColumnsUnfit from error

    def chunks(self) -> Iterator[KeptChunk]:
        """All that was kept, in order."""
        seals = Seals(self._fits)
        try:
            with _opened(self._path) as file:
                for length, seal in self._chunks:
                    packed = file.read(length) if length <= MOST_BYTES else b""
                    if len(packed) != length or not seals.holds(seal, packed):
                        raise ColumnsUnfit
                    yield self._chunk_of(msgpack.unpackb(packed))
        except (OSError, ValueError, KeyError, TypeError, IndexError, msgpack.UnpackException) as error:
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


def claims_to_fit(path: Path, digest: str) -> bool:
    """Whether there are kept columns that say they fit the record as it is now: then they are ours, or were changed."""
    try:
        with _opened(path) as file:
            packed, _ = tail_of(file)
        tail = msgpack.unpackb(packed)
        return isinstance(tail, dict) and tail.get("fits") == columns_fit(path, digest)
    except (OSError, ValueError, RecursionError, msgpack.UnpackException, ColumnsUnfit):
        return False


def _opened(path: Path) -> BinaryIO:
    """The cache behind its magic. Raises `ColumnsUnfit` where it is none."""
    file = os.fdopen(open_regular(path / CACHE_NAME), "rb")
    if file.read(len(MAGIC)) != MAGIC:
        file.close()
        raise ColumnsUnfit
    return file


def forget_columns(path: Path) -> None:
    """Removes what is kept of a record, such as after sealing, when it fits no more."""
    with suppress(OSError):
        (path / CACHE_NAME).unlink()


def _entry(piece: list[Any]) -> Entry:
    return Entry(EntryKind(piece[1]), *piece[2:])

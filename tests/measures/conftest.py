"""Blocks of frames that went through the feed's own encoding: packed, decoded, made into columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import msgpack
import numpy as np
import numpy.typing as npt

from monitor.feed.decode import Frame, decode_message
from monitor.judging.case.columns import build_block
from monitor.measures.columns import FrameBlock

OWN = {"x": 0.0, "y": 0.0, "heading": 0.0, "speed": 20.0, "accel": 0.0, "length": 4.6, "width": 1.8}
OTHER = {**OWN, "id": 1}


def _frame(seq: int, t: float, own: Mapping[str, Any], others: Sequence[Mapping[str, Any]]) -> Frame:
    rows = [{**OTHER, **other} for other in others]
    names = {name for row in rows for name in row}
    columns = {name: [row.get(name) for row in rows] for name in names} if rows else {}
    fields = {
        "v": 1,
        "run": "r",
        "seq": seq,
        "t": t,
        "own": {**OWN, "yaw_rate": 0.0, **own},
        "others": columns,
        "signals": {},
        "markers": 0,
    }
    frame = decode_message([b"frame", msgpack.packb(fields)])
    assert isinstance(frame, Frame), frame
    return frame


def block_of(*scenes: tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]], period: float = 0.02) -> FrameBlock:
    """One frame a pair of own car and others; keys that are left out have `OWN`'s values."""
    frames = [_frame(index + 1, index * period, own, others) for index, (own, others) in enumerate(scenes)]
    return build_block(frames, range(1, len(frames) + 1))


def table(name: str) -> npt.NDArray[Any]:
    """A reference table of tests/measures/data by its file name, columns by name."""
    data = Path(__file__).parent / "data"
    return np.genfromtxt(data / name, delimiter=",", names=True, dtype=None, encoding="utf-8")

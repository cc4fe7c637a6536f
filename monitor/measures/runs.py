"""Runs of frames in which something holds."""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import BoolArray, IntArray


def runs_of(flags: BoolArray) -> tuple[IntArray, IntArray]:
    """First index of each run of True, and the index after its last one."""
    beside = np.zeros(len(flags) + 2, dtype=np.bool_)
    beside[1:-1] = flags
    edges: IntArray = (beside[1:] != beside[:-1]).nonzero()[0]
    return edges[::2], edges[1::2]


def longest_run(flags: BoolArray) -> tuple[int, int] | None:
    """First index and length of the longest run of True; None where there is none."""
    if not flags.any():
        return None
    starts, stops = runs_of(flags)
    lengths = stops - starts
    best = int(lengths.argmax())
    return int(starts[best]), int(lengths[best])

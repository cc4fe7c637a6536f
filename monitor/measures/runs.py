"""Runs of frames in which something holds."""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import BoolArray


def longest_run(flags: BoolArray) -> tuple[int, int] | None:
    """First index and length of the longest run of True; None where there is none."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    if len(edges) == 0:
        return None
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    best = int(np.argmax(lengths))
    return int(starts[best]), int(lengths[best])

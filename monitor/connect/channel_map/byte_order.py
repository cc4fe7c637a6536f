"""Whether packets make more sense in the other byte order: told from their values, since a packet does not say it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from monitor.connect.channel_map.model import Layout

PACKETS_LOOKED_AT = 64
FEWEST_VALUES = 16
LEAST, MOST = 1e-6, 1e8
"""Between these lie the sizes of nearly all numbers of a simulator that are not zero. A float whose bytes stand the
wrong way round is of any size from 1e-38 to 1e38."""
SURE, DOUBTFUL = 0.95, 0.7
NAMES = {"<": "little", ">": "big"}


def other_order_doubt(layout: Layout, packets: Sequence[bytes]) -> str:
    """One sentence where nearly all values are sensible in the other byte order and many are not in the map's; else
    empty."""
    order = layout.byte_order
    other = replace(layout, byte_order=">" if order == "<" else "<")
    here, there = _sensible(layout, packets), _sensible(other, packets)
    if len(here) < FEWEST_VALUES or here.mean() > DOUBTFUL or there.mean() < SURE:
        return ""
    return (
        f'The packets look like byte_order = "{NAMES[other.byte_order]}": {there.mean():.0%} of their numbers are of a '
        f"sensible size that way, {here.mean():.0%} by the map. In the channel map: [source] byte_order"
    )


def _sensible(layout: Layout, packets: Sequence[bytes]) -> npt.NDArray[np.bool_]:
    """Whether each number that is not zero is of a sensible size; integers of one byte say nothing."""
    found = []
    for field in layout.fields:
        if field.code[0] not in "fiu" or field.code in ("i1", "u1"):
            continue
        dtype = np.dtype(layout.byte_order + field.code)
        values = np.concatenate([np.frombuffer(one, dtype, field.count, field.at) for one in packets])
        with np.errstate(invalid="ignore", over="ignore"):
            sizes = np.abs(values.astype(np.float64))
        found.append((sizes[sizes != 0] >= LEAST) & (sizes[sizes != 0] <= MOST))
    return np.concatenate(found) if found else np.zeros(0, np.bool_)

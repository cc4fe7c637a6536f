"""Whether packets make more sense in the other byte order: told from their values, since a packet does not say it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from monitor.connect.channel_map.model import Layout

PACKETS_LOOKED_AT = 64
FEWEST_VALUES = 16
LEAST, MOST = 1e-6, 1e8
"""Between these lie the sizes of nearly all numbers of a simulator that are not zero. A float whose bytes stand the
wrong way round is of any size from 1e-38 to 1e38."""
SURE, UNLIKELY = 0.95, 0.6
FEWEST_FIELDS = 2
NAMES = {"<": "little", ">": "big"}


def other_order_doubt(layout: Layout, packets: Sequence[bytes]) -> str:
    """One sentence where most fields that tell something are sensible in the other order only; else empty."""
    order = layout.byte_order
    other = replace(layout, byte_order=">" if order == "<" else "<")
    for_this = for_other = 0
    for here, there in zip(_sensible(layout, packets), _sensible(other, packets), strict=True):
        if len(here) < FEWEST_VALUES:
            continue
        for_other += here.mean() < UNLIKELY and there.mean() > SURE
        for_this += there.mean() < UNLIKELY and here.mean() > SURE
    if for_other < FEWEST_FIELDS or for_other <= 2 * for_this:
        return ""
    return (
        f'The packets look like byte_order = "{NAMES[other.byte_order]}": {for_other} of their fields are of a '
        "sensible size that way only. In the channel map: [source] byte_order"
    )


def _sensible(layout: Layout, packets: Sequence[bytes]) -> Iterator[npt.NDArray[np.bool_]]:
    """For each field of two bytes and more, whether each of its numbers that is not zero is of a sensible size."""
    for field in layout.fields:
        if field.code[0] not in "fiu" or field.code in ("i1", "u1"):
            continue
        dtype = np.dtype(layout.byte_order + field.code)
        values = np.concatenate([np.frombuffer(one, dtype, field.count, field.at) for one in packets])
        with np.errstate(invalid="ignore", over="ignore"):
            sizes = np.abs(values.astype(np.float64))
        yield (sizes[sizes != 0] >= LEAST) & (sizes[sizes != 0] <= MOST)

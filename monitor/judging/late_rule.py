"""Frames for a trigger's rule that looks at a further source's signal: they wait until that can no longer come in.

The rule is followed twice, with the signal taken as met and as not met where it is not known: same answer, that is the
answer; else the timing is not stated. Each frame is looked at as of one entry, the first frame `MARKER_DELAY_S` later,
so that the cut into blocks decides nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from monitor.judging.case.blocks import MeasuredBlock, join_measured_blocks
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import MARKER_DELAY_S
from monitor.judging.firing import FireWatch
from monitor.measures.columns import IntArray
from monitor.study.model import Trigger


def looks_at_signals(trigger: Trigger) -> bool:
    """Whether the trigger's rule has a term that another source may give."""
    terms = (*trigger.armed_when, *trigger.fires_when)
    return any(one.measure.kind == "signal" for term in terms for one in term.alternatives)


@dataclass(slots=True)
class LateFrames:
    """The frames of a drive that no rule on signals has seen yet."""

    waiting: list[MeasuredBlock] = field(default_factory=list)

    def take(self, log: DriveLog, block: MeasuredBlock | None, watches: Sequence[FireWatch]) -> None:
        """The next frames of the drive; shows the watches those that are due."""
        if block is not None:
            self.waiting.append(block)
        if not self.waiting:
            return
        whole = self.waiting[0]
        for one in self.waiting[1:]:
            whole = join_measured_blocks(whole, one)
        as_of = _as_of(log, whole)
        due = len(as_of)
        self.waiting = [whole.part(due, len(whole.frames))] if due < len(whole.frames) else []
        if not due or log.aligned is None:
            return
        ready = whole.part(0, due)
        signals = ready.frames.signals
        aligned = log.aligned.columns(ready.frames.t, as_of)
        more = {name: one.value for name, one in aligned.items() if name not in signals}
        ready = replace(ready, frames=replace(ready.frames, number=as_of, signals={**signals, **more}))
        for watch in watches:
            watch.take(ready)


def _as_of(log: DriveLog, block: MeasuredBlock) -> IntArray:
    """The entry as of which each of the first frames is looked at; as many as are due."""
    t, number = block.frames.t, block.frames.number
    later = t.searchsorted(t + MARKER_DELAY_S, side="left")
    there = later < len(t)
    found = number[np.minimum(later, len(t) - 1)]
    if log.end_number is not None:
        ended = ~there | (found > log.end_number)
        return np.asarray(np.where(ended, np.maximum(number, log.end_number), found), np.int64)
    return np.asarray(found[: int(there.sum())], np.int64)

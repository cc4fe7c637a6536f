"""What a rule that follows a drive block by block remembers of the frames before: for rates and rolling statistics."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.stretch import TENTH
from monitor.measures.change import HELD_FRAMES, rate_of_change
from monitor.measures.columns import FloatArray, IntArray
from monitor.measures.measured import Measured, measured
from monitor.measures.rolling import ROLLING
from monitor.study.terms import Measure


def _nothing() -> FloatArray:
    return np.empty(0)


@dataclass(slots=True)
class Behind:
    """The last frames of one measure. Every window is taken over its own frames, so that the cut into blocks changes
    nothing."""

    t: FloatArray = field(default_factory=_nothing)
    seq: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    value: FloatArray = field(default_factory=_nothing)

    def rate(self, block: MeasuredBlock, values: Measured, over_s: float, period_s: float) -> Measured:
        """The rate of change in each frame of the next block."""
        first = self._add(block, values.value, over_s + (1.0 + HELD_FRAMES) * period_s)
        whole = rate_of_change(self.t, measured(self.value), over_s, period_s)
        return whole.part(first, len(self.t))

    def rolling(self, block: MeasuredBlock, measure: Measure, period_s: float) -> Measured:
        """The rolling statistic in each frame of the next block; not measured where its window has a hole."""
        statistic, over_s = ROLLING[measure.name], measure.over_s or 0.0
        lateral = block.lateral.get(statistic.source)
        column = lateral.value if lateral is not None else block.frames.own.get(statistic.source)
        source = np.full(len(block.frames), np.nan) if column is None else column
        first = self._add(block, source, over_s + 2.0 * period_s)
        slack = TENTH * period_s
        found = np.full(len(self.t) - first, np.nan)
        for index in range(first, len(self.t)):
            since = self.t[index] - over_s
            begin = int(self.t.searchsorted(since - slack, side="left"))
            window = self.value[begin : index + 1]
            whole = self.t[0] <= since + slack and not (np.diff(self.seq[max(begin - 1, 0) : index + 1]) > 1).any()
            if whole and not np.isnan(window).any():
                found[index - first] = statistic.of(self.t[begin : index + 1], window)
        return measured(found)

    def _add(self, block: MeasuredBlock, value: FloatArray, keep_s: float) -> int:
        """Forgets what lies further back than the block's first frame needs; gives the index of that frame."""
        t = block.frames.t
        keep = int(self.t.searchsorted(t[0] - keep_s, side="left"))
        first = len(self.t) - keep
        self.t = np.concatenate([self.t[keep:], t])
        self.seq = np.concatenate([self.seq[keep:], block.frames.seq])
        self.value = np.concatenate([self.value[keep:], value])
        return first

"""The large numbers over the whole drive: least and greatest value of each piece of time, for strips by the time line.

A piece is one second at first and doubles when there are too many, so that a day takes no more memory than an hour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.following.numbers import STRIPS, measured_in, shown_as
from monitor.following.view import LiveView, WholeStrip
from monitor.judging.blinding import Span, reveals
from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.session import Session
from monitor.measures.columns import FloatArray
from monitor.measures.names import MEASURES
from monitor.study.band import Band
from monitor.study.model import Study

FIRST_PIECE_S = 1.0
MOST_PIECES = 2048
"""A strip on a screen of 200 columns has some 370 dot columns; after a doubling there are still 1024 pieces."""


@dataclass(frozen=True, slots=True)
class _Table:
    """For each piece from time zero on, least and greatest value. Shapes (measures, MOST_PIECES)."""

    piece_s: float
    low: FloatArray
    high: FloatArray

    def doubled(self) -> _Table:
        """The same in pieces of twice the length, as a table of its own: somebody may be reading this one."""
        twice = _Table(self.piece_s * 2.0, *_empty())
        half = MOST_PIECES // 2
        twice.low[:, :half] = np.fmin(self.low[:, 0::2], self.low[:, 1::2])
        twice.high[:, :half] = np.fmax(self.high[:, 0::2], self.high[:, 1::2])
        return twice


def _empty() -> tuple[FloatArray, FloatArray]:
    return np.full((len(STRIPS), MOST_PIECES), np.nan), np.full((len(STRIPS), MOST_PIECES), np.nan)


class _Track:
    """A drive so far. A piece that ends before `until_t` is never changed again."""

    def __init__(self) -> None:
        self.until_t = -math.inf
        self.table = _Table(FIRST_PIECE_S, *_empty())

    def take(self, block: MeasuredBlock) -> None:
        """The frames of a block that are newer than those taken."""
        first = int(np.searchsorted(block.frames.t, self.until_t, side="right"))
        t = block.frames.t[first:]
        if not len(t):
            return
        while t[-1] >= self.table.piece_s * MOST_PIECES:
            self.table = self.table.doubled()
        table = self.table
        piece = np.floor(t / table.piece_s).astype(np.int64)
        inside = piece >= 0
        for row, name in enumerate(STRIPS):
            value = measured_in(block, name, None).value[first:]
            np.fmin.at(table.low[row], piece[inside], value[inside])
            np.fmax.at(table.high[row], piece[inside], value[inside])
        self.until_t = float(t[-1])


class WholeTracks:
    """Every drive so far. Give it the session after each `take`."""

    def __init__(self, study: Study) -> None:
        self._reveals = [reveals(study, shown_as(name, None)) for name in STRIPS]
        self._tracks: dict[int, _Track] = {}
        self._shown: tuple[tuple[object, ...], tuple[WholeStrip, ...]] = ((), ())

    def take(self, session: Session) -> None:
        """Takes the frames that are new; while a verdict is being decided they wait."""
        drive = session.current
        if drive is None or session.is_deciding:
            return
        track = self._tracks.setdefault(drive.log.index, _Track())
        for block in drive.log.blocks:
            if block.frames.t[-1] > track.until_t:
                track.take(block)

    def of(self, view: LiveView) -> tuple[WholeStrip, ...]:
        """The view's drive, in whole pieces up to the view's time."""
        track = self._tracks.get(view.drive or 0)
        if track is None or view.t is None:
            return ()
        until_t = min(view.t, track.until_t)  # read before the table, which may be a newer one then
        table = track.table
        count = max(0, min(int(until_t // table.piece_s), MOST_PIECES)) if math.isfinite(until_t) else 0
        bands = tuple(_band_of(view, name) for name in STRIPS)
        key = (view.drive, table.piece_s, count, view.hidden, bands)
        if self._shown[0] != key:
            found = (self._strip(table, row, count, view.hidden, band) for row, band in enumerate(bands))
            self._shown = (key, tuple(found))
        return self._shown[1]

    def _strip(self, table: _Table, row: int, count: int, hidden: tuple[Span, ...], band: Band | None) -> WholeStrip:
        low, high = table.low[row, :count].copy(), table.high[row, :count].copy()
        if self._reveals[row]:
            begin = np.arange(count) * table.piece_s
            for span in hidden:  # a piece with any hidden frame in it
                masked = (begin <= span.end_t) & (begin + table.piece_s > span.start_t)
                low[masked] = high[masked] = np.nan
        name = STRIPS[row]
        return WholeStrip(name, MEASURES[name].unit, table.piece_s, low, high, band)


def _band_of(view: LiveView, measure: str) -> Band | None:
    coming = next((one.band for one in view.strips if one.measure == measure), None)
    judged = (one.band for trial in reversed(view.trials) for one in trial.conditions if one.measure == measure)
    return coming if coming is not None else next(judged, None)

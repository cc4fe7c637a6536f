"""Further sources beside the simulator (gaze, a task's tablet, an alert's sensor) on the feed of the simulator.

Each has a clock of its own. Its signals go onto the simulator's frames, and its markers among the simulator's, by the
offset that sync marks tell. Where the offset is not known well enough, its signals are "not measured": a condition on
them is undecided then, and never wrong. A flag is also not measured nearer to a change of it than the offset is known.
"""

from __future__ import annotations

import bisect
import math
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from monitor.connect.channel_map.convert import Converter
from monitor.connect.channel_map.mapped_drive import Onlooker, Outlet
from monitor.connect.channel_map.markers import Happened, MarkerWatch
from monitor.connect.channel_map.model import ChannelMap, ZmqSource
from monitor.connect.channel_map.values import Sample
from monitor.feed.clock_offset import (
    ON_ITS_WAY_S,
    ClockOffset,
    Receipt,
    SyncMarks,
    Told,
    estimate_offset,
    receipt_pairs,
)
from monitor.feed.schema import ClockTold

SAMPLES_KEPT = 20_000
"""Of a further source: 80 s at 240 Hz."""
SAMPLES_DROPPED = 5_000
AHEAD_AT_MOST = 4_096
NO_FRAMES_S = 0.5
"""Without a frame for so long a marker goes out all the same: the simulator has stopped before its time."""
HELD_AT_MOST = 4_096
"""Frames that wait for a further source; beyond it the oldest go without it."""
FLAG = frozenset((0.0, 1.0))
TOLD_EVERY_S = 0.5
TOLD_KEPT = 16
"""Of what a source says of its clock, and of frames against which it is held: eight seconds."""


class FurtherSource:
    """The samples of one further source, and how its clock stands to the simulator's."""

    def __init__(self, channels: ChannelMap, first_step_s: float) -> None:
        assert channels.join is not None
        self.map, self.rule = channels, channels.join
        self.marks = SyncMarks()
        self.same_within_s = 0.0 if self.rule.same_clock else None
        """Where its times are the simulator's already: how well."""
        self.always_told: ClockTold | None = None
        """Where what is known of its clock stays the same all through, as in a file."""
        self._told: deque[Told] = deque(maxlen=TOLD_KEPT)
        self._receipts: deque[Receipt] = deque(maxlen=TOLD_KEPT)
        self.offset: ClockOffset | None = None
        self.refused = 0
        self.last_refusal = ""
        self._first_step_s, self._step_s = first_step_s, 1.0 / channels.rate_hz
        self._converter = Converter(channels)
        self._watch = MarkerWatch(channels.markers, self._converter.time_at)
        self._onlooker: Onlooker | None = None
        source = channels.source
        self._frame_topic = source.frame_topic if isinstance(source, ZmqSource) else None
        self._apart = frozenset(rule.topic for rule in channels.markers if rule.topic is not None)
        self._t: list[float] = []
        self._signals: list[dict[str, float]] = []

    def look_on(self, onlooker: Onlooker) -> None:
        """Shows all that is taken from now on to somebody, too."""
        self._onlooker = onlooker
        self._watch.on_happened = onlooker.happened

    def take(self, sample: Sample, arrived_s: float) -> list[Happened]:
        """One sample; gives its markers but for sync marks, with times of its own clock. Never raises."""
        if self._onlooker is not None:
            if sample.topic in self._apart:
                self._onlooker.take_message(sample)
            elif self._frame_topic is None or sample.topic == self._frame_topic:
                self._onlooker.take_frame(sample)
        if sample.topic in self._apart:
            t = self._converter.time_of(sample)
            markers = self._watch.in_message(sample, t if math.isfinite(t) or not self._t else self._t[-1])
        elif self._frame_topic is None or sample.topic == self._frame_topic:
            markers = self._take_step(sample)
        else:
            return []
        for one in markers:
            if one.kind == "sync" and math.isfinite(one.t):
                self.marks.second(one.name, one.t, arrived_s)
                self.estimate()
        return [one for one in markers if one.kind != "sync"]

    def first_began(self) -> None:
        """The simulator's clock began anew."""
        self.marks.clear()
        self._receipts.clear()
        self.offset = None

    def clock_told(self, clock: ClockTold, now_s: float) -> None:
        """What the source knows of its own clock, against ours."""
        if not self._told or now_s - self._told[-1].arrived_s >= TOLD_EVERY_S:
            self._told.append(Told(clock.offset_s, clock.uncertainty_s, now_s))

    def stays_told(self, now_s: float) -> None:
        """Time goes on, and what is known of its clock stays as it was."""
        if self.always_told is not None:
            self.clock_told(self.always_told, now_s)

    def first_seen(self, t: float, now_s: float) -> None:
        """A frame of the simulator has just come in: it is at most a period old, but for its way."""
        if not self._told or (self._receipts and now_s - self._receipts[-1].arrived_s < TOLD_EVERY_S):
            return
        self._receipts.append(Receipt(now_s, t, t + self._first_step_s + ON_ITS_WAY_S))
        self.estimate()

    def first_mark(self, name: str, t: float, arrived_s: float) -> None:
        """A sync mark of the simulator."""
        self.marks.first(name, t, arrived_s)
        self.estimate()

    def estimate(self) -> None:
        """Takes in the pairs of marks so far, and what the source says of its clock."""
        pairs = [*self.marks.pairs, *receipt_pairs(self._receipts, self._told)]
        self.offset = estimate_offset(pairs, self._first_step_s, self._step_s)

    def placed(self, second_t: float) -> tuple[float, float] | None:
        """A time of this source by the simulator's clock, and how far that may be off; None where it is not known."""
        if self.same_within_s is not None and math.isfinite(second_t):
            return second_t, self.same_within_s
        if self.offset is None or not math.isfinite(second_t):
            return None
        offset, off_by = self.offset.at(second_t)
        return (second_t + offset, off_by) if off_by <= self.rule.uncertainty_at_most_s else None

    def has_told_of(self, first_t: float) -> bool:
        """Whether its samples reach past a time of the simulator's clock; True where its clock is not known anyhow."""
        if not self._t:
            return True
        placed = self.placed(self._t[-1])
        return placed is None or placed[0] - placed[1] >= first_t

    def signals_at(self, first_t: float) -> dict[str, float]:
        """Its signals at a time of the simulator's clock, NaN where they are not known; and its clock's offset."""
        found = dict.fromkeys(self.map.signals, math.nan)
        offset, off_by = math.nan, math.nan
        if self.same_within_s is not None:
            offset, off_by = 0.0, self.same_within_s
            found.update(self._within(first_t, off_by))
        elif self.offset is not None:
            second_t, off_by = self.offset.second_at(first_t)
            offset = first_t - second_t
            if off_by <= self.rule.uncertainty_at_most_s:
                found.update(self._within(second_t, off_by))
        name = self.map.feed_source[:40]
        return found | {f"{name}_clock_offset": offset, f"{name}_clock_uncertainty": off_by}

    def _within(self, second_t: float, off_by: float) -> dict[str, float]:
        """The last values at or before a time; a flag only where it is the same all over the uncertainty."""
        last = bisect.bisect_right(self._t, second_t) - 1
        if last < 0 or second_t - self._t[last] > self.rule.stale_s:
            return {}
        first = max(bisect.bisect_right(self._t, second_t - off_by) - 1, 0)
        stop = bisect.bisect_right(self._t, second_t + off_by)
        found = {}
        for name in self.map.signals:
            values = {self._signals[index][name] for index in range(first, max(stop, last + 1))}
            changes = len(values) > 1 and values <= FLAG
            found[name] = math.nan if changes else self._signals[last][name]
        return found

    def _take_step(self, sample: Sample) -> list[Happened]:
        t = self._converter.time_of(sample)
        if not math.isfinite(t):
            self.refused += 1
            self.last_refusal = f"`{self.map.time.name}` is no time"
            return []
        if self._t and t < self._t[-1]:
            if t >= self._t[-1] - self.map.run.restart_s:
                return []
            self._t.clear()
            self._signals.clear()
            self._watch.begin_drive()
            self.first_began()
        self._t.append(t)
        self._signals.append(self._converter.signals(sample))
        if len(self._t) > SAMPLES_KEPT:
            del self._t[:SAMPLES_DROPPED], self._signals[:SAMPLES_DROPPED]
        return self._watch.in_frame(sample, t)


class _Ahead(NamedTuple):
    """A marker of a further source that waits for the frame of its time; `came_s`: when it came in."""

    t: float
    came_s: float
    kind: str
    name: str
    data: dict[str, Any]


class JoinedFeed:
    """The outlet of the simulator's translation: frames wait until the further sources have told of their time.

    They wait at most `hold_s` of the further sources' maps. What comes out is in the order in which it came in.
    """

    def __init__(
        self, outlet: Outlet, further: Sequence[FurtherSource], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._outlet, self.further, self._clock = outlet, tuple(further), clock
        self._held: deque[tuple[float, float | None, Callable[[], None]]] = deque()
        self._ahead: list[_Ahead] = []
        self._heard_s = -math.inf
        self.placed = 0
        """Markers of further sources that were sent on."""
        self._hold_s = max((one.rule.hold_s for one in further), default=0.0)
        self._seq = 0
        self._newest_t: float | None = None
        self.refused = 0
        self.last_refusal = ""

    @property
    def seq(self) -> int:
        """Sequence number of the last frame taken in."""
        return self._seq

    @seq.setter
    def seq(self, number: int) -> None:
        skipped, self._seq = number - self._seq, number
        self._hold(None, lambda: self._skip(skipped))

    @property
    def holds(self) -> bool:
        """Whether anything waits."""
        return bool(self._held or self._ahead)

    def begin_drive(
        self, run: str, *, participant: str | None = None, group: str | None = None, scenario: str | None = None
    ) -> None:
        """A new drive, after all that waits; markers that came before the first frame of all are the first drive's."""
        self._seq = 0
        self.flush(everything=self._newest_t is not None)
        self._newest_t = None
        for one in self.further:
            one.first_began()
        self._outlet.begin_drive(run, participant=participant, group=group, scenario=scenario)

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]],
        signals: Mapping[str, float | bool],
        wall: float | None,
    ) -> int:
        """A frame of the simulator."""
        self._seq += 1
        self._newest_t = t
        self._heard_s = self._clock()
        for one in self.further:
            one.first_seen(t, self._heard_s)

        def send() -> None:
            self._send_ahead(t)
            joined = dict(signals)
            for one in self.further:
                joined.update(one.signals_at(t))
            self._outlet.frame(t, own, others, joined, wall)

        self._hold(t, send)
        return self._seq

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
        """A marker of the simulator; its number is not known yet, and 0 is given."""
        if kind == "sync":
            for one in self.further:
                one.first_mark(name, t, self._clock())
        self._hold(None, lambda: self._mark(kind, name, t, data))
        return 0

    def take(self, source: FurtherSource, samples: Sequence[Sample]) -> None:
        """Samples of a further source."""
        now = self._clock()
        for sample in samples:
            for one in source.take(sample, now):
                self._place(source, one)

    def flush(self, everything: bool = False) -> None:
        """Sends on what need not wait any longer."""
        now = self._clock()
        while self._held:
            due, t, send = self._held[0]
            told = t is None or all(one.has_told_of(t) for one in self.further)
            if not (everything or told or now >= due or len(self._held) > HELD_AT_MOST):
                return
            self._held.popleft()
            try:
                send()
            except ValueError as error:
                self._refuse(error)
        if everything or now - self._heard_s > NO_FRAMES_S:
            self._send_ahead(math.inf, now if not everything else math.inf)

    def _hold(self, t: float | None, send: Callable[[], None]) -> None:
        self._held.append((self._clock() + self._hold_s, t, send))

    def _send_ahead(self, until_t: float, waiting_since_s: float = math.inf) -> None:
        """Sends the markers of further sources up to a time of the drive: they may come in before its frames do."""
        self._ahead.sort(key=lambda one: one.t)
        while self._ahead and self._ahead[0].t <= until_t:
            if self._newest_t is None or waiting_since_s - self._ahead[0].came_s < NO_FRAMES_S:
                return
            one = self._ahead.pop(0)
            try:
                self._outlet.marker(one.kind, one.name, one.t, one.data)
                self.placed += 1
            except ValueError as error:
                self._refuse(error)

    def _refuse(self, error: ValueError) -> None:
        """What the feed's own decoder refuses, with its key named."""
        self.refused += 1
        self.last_refusal = str(error)

    def _skip(self, count: int) -> None:
        self._outlet.seq += count

    def _mark(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None) -> None:
        self._outlet.marker(kind, name, t, data)

    def _place(self, source: FurtherSource, one: Happened) -> None:
        """A marker of a further source, at its time by the simulator's clock; as `other` where that is not known."""
        placed = source.placed(one.t)
        if placed is not None:
            at, off_by = placed
            data = {**(one.data or {}), "source": source.map.feed_source, "uncertainty_s": off_by}
            if len(self._ahead) < AHEAD_AT_MOST:
                self._ahead.append(_Ahead(at, self._clock(), one.kind, one.name, data))
            else:
                source.refused += 1
                source.last_refusal = f"the marker {one.kind} {one.name} is one of too many that wait for their frames"
            return
        newest = self._newest_t
        source.refused += 1
        source.last_refusal = f"the marker {one.kind} {one.name} came while the clock of the source was not known"
        if newest is not None:
            data = {"source": source.map.feed_source, "kind": one.kind, "second_t": one.t, "why": "clock not known"}
            self._hold(None, lambda: self._mark("other", one.name, newest, data))

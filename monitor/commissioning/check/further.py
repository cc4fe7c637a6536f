"""What further sources beside the simulator give (gaze, a tablet, an alert's sensor), and how their clocks stand."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.commissioning.check.doubts import Sanity
from monitor.commissioning.check.feed import ChannelHeard, FeedHeard, conclude, hear_channel
from monitor.commissioning.check.listening import Listened
from monitor.feed.clock_offset import (
    ON_ITS_WAY_S,
    Mark,
    Pair,
    Receipt,
    Told,
    estimate_offset,
    pair_marks,
    receipt_clock_s,
    receipt_pairs,
)
from monitor.judging.case.columns import build_block
from monitor.judging.case.sources import GIVEN
from monitor.study.model import Study
from monitor.study.needs import needed_channels


@dataclass(slots=True)
class SourceHeard:
    """What was heard of one further source. `offset_s`: the simulator's time less its own, now."""

    endpoint: str
    source: str = ""
    run: str = ""
    frames: int = 0
    rate_hz: float | None = None
    lost: int = 0
    markers: dict[str, int] = field(default_factory=dict)
    offset_s: float | None = None
    uncertainty_s: float | None = None
    marks: int = 0
    channels: list[ChannelHeard] = field(default_factory=list)
    look_at: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether nothing is wrong with it."""
        return not self.faults

    def as_json(self) -> dict[str, Any]:
        """For `check --json`."""
        fields = {name: getattr(self, name) for name in self.__slots__}
        return fields | {"ok": self.ok, "channels": [one.as_json() for one in self.channels]}

    def sentences(self) -> list[str]:
        """For people: what is wrong first."""
        lines = [f"  FAULT  {fault}" for fault in self.faults]
        if self.source:
            lines.append(f"{self.endpoint}: {self.source}, run {self.run}, beside the simulator")
        rate = "" if self.rate_hz is None else f", {self.rate_hz:.1f} Hz"
        given = ", ".join(f"{count} {kind}" for kind, count in self.markers.items()) or "none"
        lines.append(f"  {self.frames} frames{rate}, {self.lost} lost; markers: {given}")
        if self.offset_s is not None and self.uncertainty_s is not None:
            marks = f"{self.marks} sync {'marker' if self.marks == 1 else 'markers'} that both have seen"
            how = f"by {marks}" if self.marks else "by what it says of its clock, and by when frames came"
            known = f"±{1000 * self.uncertainty_s:.0f} ms"
            lines.append(f"  clock: {self.offset_s:+.3f} s to the simulator's {known}, {how}")
        return [*lines, *(f"  {one}" for one in self.look_at), *(f"  {one.sentence()}" for one in self.channels)]


def check_feeds(study: Study, simulator: Listened, further: Sequence[Listened]) -> tuple[FeedHeard, list[SourceHeard]]:
    """What was heard of the simulator and of further sources, against what the study needs."""
    sources = [hear_source(study, one, simulator) for one in further]
    elsewhere = {name: one.source for one in reversed(sources) for name in _given(one)}
    heard = conclude(study, simulator, elsewhere)
    _find_doubles(heard, sources)
    return heard, sources


def hear_source(study: Study, listened: Listened, simulator: Listened) -> SourceHeard:
    """What one further source gives."""
    heard = SourceHeard(listened.endpoint, lost=listened.lost)
    hello = listened.hello
    if hello is None:
        heard.faults += [listened.silence().replace("No frame", "No"), *listened.refused]
        return heard
    heard.source, heard.run = hello.source or listened.endpoint, hello.run
    heard.markers = dict(Counter(marker.kind for marker, _ in listened.markers))
    frames, _ = listened.going_on()
    heard.frames = len(listened.frames)
    if len(frames) > 1:
        heard.rate_hz = (len(frames) + listened.lost - 1) / (frames[-1].t - frames[0].t)
        if not 0.9 < heard.rate_hz / hello.rate_hz < 1.1:
            heard.faults.append(f"{heard.source} says {hello.rate_hz:g} Hz and sends {heard.rate_hz:.1f} Hz.")
    if len(frames) < len(listened.frames):
        heard.faults.append(f"The time of {heard.source} did not go on in {len(listened.frames) - len(frames)} frames.")
    needs = needed_channels(study)
    block = build_block(frames, list(range(len(frames)))) if frames else None
    for name in dict.fromkeys([*hello.signals, *(block.signals if block is not None else ())]):
        column = block.signals.get(name) if block is not None else None
        if block is None or column is None or not np.isfinite(column).any():
            heard.faults.append(f"{heard.source} says that it has {name}, and sends no value of it.")
            continue
        who = tuple(needs.get(name, ()))
        heard.channels.append(hear_channel(name, column, block.t, Sanity(), who))
    if listened.lost:
        heard.faults.append(f"{listened.lost} frames of {heard.source} were lost in {listened.seconds:g} s.")
    passed_over = sorted({marker.kind for marker, _ in listened.markers} - GIVEN - {"sync"})
    if passed_over:
        heard.look_at.append(f"passed over, because only the simulator may say it: {', '.join(passed_over)}")
    heard.faults += listened.refused
    _clock(heard, listened, simulator, [one for channel in heard.channels for one in channel.needed_by])
    return heard


def _clock(heard: SourceHeard, listened: Listened, simulator: Listened, needed_by: list[str]) -> None:
    """How its clock stands to the simulator's. Where a condition looks at it, it is a fault that one of the two has
    sent no sync marker at all so far, or that theirs do not go together; that none came just now, is none."""
    first, second = (
        [Mark(one.name, one.t, at) for one, at in side.markers if one.kind == "sync"] for side in (simulator, listened)
    )
    pairs = pair_marks(first, second)
    steps = [1.0 / side.hello.rate_hz if side.hello is not None else 1.0 / 60.0 for side in (simulator, listened)]
    by_receipt = _by_receipt(listened, simulator, steps[0])
    told = estimate_offset([*pairs, *by_receipt], *steps)
    if told is not None:
        heard.offset_s, heard.uncertainty_s = told.at([*pairs, *by_receipt][-1].second_t)
        heard.marks = len(pairs)
        return
    never = [
        side.hello.source or side.endpoint
        for side, marks in ((simulator, first), (listened, second))
        if side.hello is not None and not marks and not any(one.kind == "sync" for one in side.hello.recent)
    ]
    if never:
        why = f"{' and '.join(never)} sent no sync marker so far"
    elif first and second:
        why = "their sync markers do not go together by name and arrival"
    else:
        why = f"in {listened.seconds:g} s no sync marker came of both"
    sentence = f"clock: not known, because {why}; until both have seen one, what {heard.source} says is undecided"
    if needed_by and (never or (first and second)):
        heard.faults.append(f"{heard.source}: {sentence}, and {', '.join(dict.fromkeys(needed_by))} needs it.")
    else:
        heard.look_at.append(sentence)


def _by_receipt(listened: Listened, simulator: Listened, step_s: float) -> list[Pair]:
    """Pairs by what a source says of its own clock, and by when the simulator's frames came in: two a second."""
    hello = listened.hello
    if hello is None or hello.clock is None:
        return []
    frames, arrivals = simulator.going_on()
    here_s = (
        receipt_clock_s() - time.monotonic()
    )  # arrivals are by the monotonic clock, what it says by that of receipt
    every = max(1, round(0.5 / step_s))
    receipts = [
        Receipt(at, frame.t, frame.t + step_s + ON_ITS_WAY_S)
        for frame, at in zip(frames[::every], arrivals[::every], strict=True)
    ]
    told = [Told(hello.clock.offset_s - here_s, hello.clock.uncertainty_s, one.arrived_s) for one in receipts[-16:]]
    return receipt_pairs(receipts[-16:], told)


def _given(heard: SourceHeard) -> list[str]:
    return [channel.name for channel in heard.channels]


def _find_doubles(heard: FeedHeard, sources: list[SourceHeard]) -> None:
    """Signals that two feeds give: the first one's counts."""
    known = {channel.name: heard.hello.source for channel in heard.channels if channel.frames and heard.hello}
    for source in sources:
        for name in _given(source):
            if name in known:
                source.look_at.append(f"{name} comes from {known[name]}, too, and that one counts")
            known.setdefault(name, source.source)

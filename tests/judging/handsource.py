"""A further source written by hand, message by message, with a clock of its own beside the drives of `hand`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgpack

from monitor.feed.schema import NO_CAR
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames, pack_further, pack_map, pack_opening
from monitor.study.model import Study
from tests.judging.hand import STUDY, HandDrive, opening_of, study_of

AWAY = 'name = "eyes away"\nmeasure = "on_road"\nat_most = 0.5\n'
GAZE_STUDY = STUDY.replace(
    "[trigger.alert]",
    f"[[trigger.condition]]\n{AWAY}during = [-0.7, 0.0]\n[[trigger.condition]]\n"
    'name = "angle"\nmeasure = "angle"\nat_most = 10.0\nrequired = false\n[trigger.alert]',
    1,
).replace("[[trigger]]", '[signals.on_road]\nsource = "driver"\n[signals.angle]\nunit = "deg"\n[[trigger]]', 1)
"""With a condition on where the participant looks, and an advisory one on how far."""

FEEDS = ("tcp://simulator:5570", "tcp://gaze:5571", "tcp://sensor:5572")


@dataclass
class HandSource:
    """A source that samples `rate_hz` times a second of true time (the simulator's) and dates by its own clock."""

    run: str = "gaze-1"
    source: str = "gaze"
    rate_hz: float = 60.0
    clock: Callable[[float], float] = lambda t: t
    signals: Callable[[float], Mapping[str, Any]] | None = lambda t: {}
    names: Mapping[str, str] = field(default_factory=lambda: {"on_road": ""})
    marks: Sequence[tuple[float, str, str, dict[str, Any]]] = ()
    """Markers as (true time, kind, name, data)."""
    start_t: float = 0.0
    end_t: float = 25.0
    lost: Callable[[float], bool] = lambda t: False
    """Whether messages of that true time are lost on the way."""
    delay_s: float = 0.0
    """How long its messages are under way."""
    frames_late_s: float = 0.0
    """How much longer its frames are."""
    hello: Mapping[str, Any] = field(default_factory=dict)

    def messages(self) -> Iterator[tuple[float, list[bytes]]]:
        """(arrival in true time, frames of one message)."""
        marks = sorted(self.marks, key=lambda mark: mark[0])
        packed = [
            {"v": 1, "run": self.run, "n": n, "t": self.clock(t), "kind": kind, "name": name, "data": data}
            for n, (t, kind, name, data) in enumerate(marks, start=1)
        ]
        sent = 0
        for seq in range(round((self.end_t - self.start_t) * self.rate_hz) + 1):
            t = self.start_t + seq / self.rate_hz
            out: list[tuple[str, dict[str, Any]]] = []
            if seq % max(round(self.rate_hz / 2), 1) == 0:
                out.append(("hello", self._hello(packed[max(sent - 32, 0) : sent])))
            while sent < len(packed) and marks[sent][0] <= t + 1e-9:
                out.append(("marker", packed[sent]))
                sent += 1
            if self.signals is not None:
                out.append(("frame", self._frame(seq, t, sent)))
            if not self.lost(t):
                for topic, fields in out:
                    late_s = self.frames_late_s if topic == "frame" else 0.0
                    yield t + self.delay_s + late_s, [topic.encode(), msgpack.packb(fields)]

    def _hello(self, recent: list[dict[str, Any]]) -> dict[str, Any]:
        head = {"v": 1, "run": self.run, "source": self.source, "rate_hz": self.rate_hz}
        return {**head, "signals": dict(self.names), "recent": recent, **self.hello}

    def _frame(self, seq: int, t: float, markers: int) -> dict[str, Any]:
        assert self.signals is not None
        head = {"v": 1, "run": self.run, "seq": seq, "t": self.clock(t), "own": dict(NO_CAR), "others": {}}
        return {**head, "signals": dict(self.signals(t)), "markers": markers}


def opening_of_several(study: Study, **more: Any) -> Opening:
    """The opening of a run with the simulator and two further sources."""
    opening = opening_of(study, **more)
    return Opening(**{name: getattr(opening, name) for name in Opening.__slots__} | {"feeds": FEEDS})


def entries_beside(
    drives: Sequence[HandDrive], sources: Mapping[int, Sequence[HandSource]], *, close: bool = True
) -> list[Entry]:
    """The drives one after the other in true time, and the sources at their places among the feeds."""
    study = study_of()
    told: list[tuple[float, int, list[bytes]]] = []
    begun_t = 0.0
    for drive in drives:
        told += [(begun_t + t, 0, frames) for t, frames in drive.messages()]
        begun_t += drive.end_t + 0.1
    for place, runs in sources.items():
        told += [(t, place, frames) for run in runs for t, frames in run.messages()]
    told.sort(key=lambda one: one[0])
    entries = [Entry(EntryKind.OPENING, 1, 0, 0, pack_opening(opening_of_several(study)))]
    for t, place, frames in told:
        ns, number = round(t * 1e9), len(entries) + 1
        kind = EntryKind.FURTHER if place else EntryKind.MESSAGE
        payload = pack_further(place, frames) if place else pack_frames(frames)
        entries.append(Entry(kind, number, ns, 1_700_000_000_000_000_000 + ns, payload))
    if close:
        entries.append(Entry(EntryKind.CLOSE, len(entries) + 1, 0, 0, pack_map({"why": "test"})))
    return entries


def judged_beside(
    drive: HandDrive, *sources: HandSource, study: Study | None = None, sensor: Sequence[HandSource] = (), **more: Any
) -> Trial:
    """The first trial of a drive with runs of gaze, and of a sensor, beside it."""
    study = study or study_of()
    session = Session(study, opening_of_several(study, **more))
    session.take(entries_beside([drive], {1: sources, 2: sensor}))
    return session.trials()[0]

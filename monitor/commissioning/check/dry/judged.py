"""A drive through its map and the judging, without a record: what came, what cannot be right, first verdicts."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from monitor.archive.earlier import Earlier
from monitor.commissioning.as_recorded import LiveClock, RecordedDrive, SourceClock
from monitor.commissioning.check.dry.seen import MapSeen, RuleSeen
from monitor.commissioning.check.feed import FeedHeard, conclude
from monitor.commissioning.check.listening import Listened
from monitor.commissioning.check.map_and_study import compare
from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.model import ChannelMap
from monitor.connect.channel_map.values import Sample
from monitor.feed.decode import decode_message
from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import Marker
from monitor.following.beginning import Driving
from monitor.judging.case.trial import Trial
from monitor.judging.document import trial_json
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, Opening, unpack_frames
from monitor.study.model import Study

AT_ONCE = 4096
"""Entries judged at a time."""
FRAMES_LOOKED_AT = 20_000
"""Frames by which units and signs are told: 5 minutes at 60 Hz."""


@dataclass(slots=True)
class DryReport:
    """What a dry judging has to say."""

    where: str
    frames: int
    drives: int
    duration_s: float
    refused: int
    last_refusal: str
    out_of_order: int
    lost: int
    faults: list[str] = field(default_factory=list)
    """What cannot be right: nothing judged by it can be believed."""
    lacking: list[str] = field(default_factory=list)
    """What the study needs and does not get: judged as not measured, or never seen."""
    look_at: list[str] = field(default_factory=list)
    markers: list[str] = field(default_factory=list)
    columns: list[str] = field(default_factory=list)
    channels: list[str] = field(default_factory=list)
    trials: tuple[Trial, ...] = ()
    group: str | None = None
    real_time: float | None = None
    """Simulated seconds a second of the clock here; None for a file, and over too short a time."""
    details: dict[str, Any] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """Whether nothing stands against it."""
        return bool(self.frames) and not self.faults and not self.lacking and not self.refused

    def as_json(self) -> dict[str, Any]:
        """For `check --json` and `import --json`."""
        return {
            "where": self.where,
            "ok": self.ok,
            "frames": self.frames,
            "drives": self.drives,
            "duration_s": self.duration_s,
            "refused": self.refused,
            "last_refusal": self.last_refusal or None,
            "out_of_order": self.out_of_order,
            "lost": self.lost,
            "real_time": self.real_time,
            "faults": self.faults,
            "lacking": self.lacking,
            "look_at": self.look_at,
            "group": self.group,
            **self.details,
            "trials": [trial_json(trial) for trial in self.trials],
        }

    def sentences(self) -> list[str]:
        """For people: what is wrong first. The trials are printed by whoever prints trials."""
        drives = "1 drive" if self.drives == 1 else f"{self.drives} drives"
        lines = [f"  FAULT  {fault}" for fault in self.faults]
        lines += [f"  LACKS  {one}" for one in self.lacking]
        pace = "" if self.real_time is None else f" at {self.real_time:.2f} times real time"
        lines.append(f"{self.where}: {drives}, {self.frames} frames, {self.duration_s:.1f} s{pace}, {self.lost} lost")
        if self.refused:
            lines.append(f"  FAULT  {self.refused} lines or messages refused, the last because {self.last_refusal}")
        if self.out_of_order:
            lines.append(f"  {self.out_of_order} left out: their time or number was behind the one before")
        for title, part in (("markers", self.markers), ("columns", self.columns), ("channels", self.channels)):
            lines += [f" {title}:", *(f"  {one}" for one in part)] if part else []
        return lines + ([" look at:", *(f"  {one}" for one in self.look_at)] if self.look_at else [])


NOBODY = Driving("DRY", None)
"""Who drives where nobody was named."""


class DryJudging:
    """Judges what samples make, as they come; `report` at the end."""

    def __init__(
        self,
        study: Study,
        maps: Sequence[ChannelMap],
        who: Driving = NOBODY,
        earlier: Earlier = Earlier(),  # noqa: B008 - frozen
        *,
        now_s: Callable[[], float] | None = None,
    ) -> None:
        """`maps`: the simulator's, then those of further sources. `now_s`: when what is taken came in, by the clock of
        a file; None: samples are taken as they come in."""
        self._live = now_s is None
        channels, *further = maps
        self._study, self._map, self._further = study, channels, tuple(further)
        self._clock = LiveClock() if self._live else SourceClock(0.0)
        self._heard = Listened("", 0.0)
        self._waiting: list[Entry] = []
        self._number = 1
        opening = Opening(
            participant=who.participant,
            group=who.group,
            study_name=study.name,
            study_text=study.text,
            study_sha256=study.sha256,
            feeds=("dry",),
            versions={},
            exposures=earlier.exposures,
            exposures_known=earlier.known,
        )
        self.session = Session(study, opening)
        outlet = RecordedDrive(channels, self._append, self._clock, further)
        self.joined, self.sources = outlet.joined_with(further, now_s or time.monotonic)
        self.seen = MapSeen(channels, study.blind)
        self.translation = Translation(channels, self.joined or outlet, lambda number: f"dry-{number}")
        self.translation.look_on(self.seen)
        self._beside = [MapSeen(one, study.blind) for one in further]
        for source, seen in zip(self.sources, self._beside, strict=True):
            source.look_on(seen)

    def take(self, samples: Sequence[Sample]) -> None:
        """Samples of the simulator."""
        for sample in samples:
            self.translation.take(sample)
        if self.joined is not None:
            self.joined.flush()

    @property
    def is_over(self) -> bool:
        """Whether the drive has said that it ended, so that nothing more can be judged."""
        self._judge()
        drive = self.session.current
        return drive is not None and drive.log.ended

    def stop(self) -> None:
        """Nobody listens any longer; the drive may go on."""
        if self.joined is not None:
            self.joined.flush(everything=True)
        self._judge()

    def finish(self) -> None:
        """The source has come to its end."""
        self.translation.finish()
        if self.joined is not None:
            self.joined.flush(everything=True)
        self._take_entry(EntryKind.CLOSE, b"")
        self._judge()

    def report(self, where: str, refused: int, last_refusal: str, doubts: Sequence[str] = ()) -> DryReport:
        """What is known so far. `refused`, `last_refusal`, `doubts`: of the source itself."""
        self._judge()
        counts, session, study = self.translation.counts, self.session, self._study
        self._heard.endpoint, self._heard.seconds = where, self._clock.elapsed_s
        self._heard.by_map = True
        heard = conclude(study, self._heard) if self._heard.frames else FeedHeard(where, 0.0)
        groups = {one.log.hello.group for one in session.drives if one.log.hello is not None and one.log.hello.group}
        group = session.group
        served = [group] if group in study.groups else None
        compared = compare(study, self._map, self._further, served)
        out = DryReport(
            where,
            counts.frames,
            counts.drives,
            self._clock.elapsed_s,
            counts.refused + refused + sum(one.refused for one in self.sources),
            last_refusal or counts.last_refusal,
            counts.out_of_order,
            counts.lost,
            group=group,
            real_time=heard.real_time if self._live else None,
        )
        parts = [self.seen, *self._beside]
        names = ["", *(f"{one.feed_source}: " for one in self._further)]
        out.faults = [*doubts, *compared.faults, *heard.wrong]
        out.faults += [f"{name}{fault}" for name, part in zip(names, parts, strict=True) for fault in part.faults()]
        for name in sorted(groups - set(study.groups)):
            out.faults.append(f"The source says group {name}, which the study does not have: [run.groups]")
        absent = sorted(self.translation.absent - set(self.seen.columns)) if counts.frames else []
        out.faults += [f"{name} is nowhere in the source, and the map reads it." for name in absent]
        said = {sentence.split()[0] for sentence in compared.lacking}
        out.lacking = [*compared.lacking, *(one for one in heard.lacking if one.split()[0] not in said)]
        out.look_at = list(compared.look_at)
        for name, part in zip(names, parts, strict=True):
            out.look_at += [f"{name}{one}" for one in part.look_at()]
            out.markers += [f"{name}{one.sentence(self._hides(one))}" for one in part.rules]
            out.columns += [f"{name}{one.sentence()}" for one in part.columns.values()]
        out.channels = [] if study.blind else [one.sentence() for one in heard.channels]
        out.trials = session.trials()
        out.details = {
            "markers": [
                one.as_json(self._hides(one)) | {"source": channels.feed_source}
                for channels, part in zip((self._map, *self._further), parts, strict=True)
                for one in part.rules
            ],
            "columns": [one.as_json() for part in parts for one in part.columns.values()],
            "channels": [] if study.blind else [one.as_json() for one in heard.channels],
        }
        return out

    def _hides(self, seen: RuleSeen) -> bool:
        """Whether a blind study hides when a rule's markers came."""
        return self._study.blind and KINDS[seen.rule.kind].reveals

    def _append(self, payload: bytes) -> None:
        self._take_entry(EntryKind.MESSAGE, payload)

    def _take_entry(self, kind: EntryKind, payload: bytes) -> None:
        self._number += 1
        clock = self._clock
        self._waiting.append(Entry(kind, self._number, clock.monotonic_ns(), clock.wall_ns(), payload))
        if kind is EntryKind.MESSAGE and len(self._heard.frames) < FRAMES_LOOKED_AT:
            self._heard.take(decode_message(unpack_frames(payload)), clock.elapsed_s)
        if len(self._waiting) >= AT_ONCE:
            self._judge()

    def _judge(self) -> None:
        waiting, self._waiting = self._waiting, []
        self.session.take(waiting)


def markers_heard(markers: Sequence[tuple[Marker, float]], blind: bool) -> list[str]:
    """How often each marker of a feed came, and when."""
    found = Counter((one.kind, one.name) for one, _ in markers)
    lines = []
    for (kind, name), count in found.items():
        if blind and KINDS[kind].reveals:
            lines.append(f"{kind}: hidden, since the study is blind")
            continue
        times = [one.t for one, _ in markers if (one.kind, one.name) == (kind, name)]
        shown = ", ".join(f"{t:.2f}" for t in times[:5]) + (" …" if count > 5 else "")
        what, often = " ".join(word for word in (kind, name) if word), "once" if count == 1 else f"{count} times"
        lines.append(f"{what}: {often}, at {shown} s")
    return lines

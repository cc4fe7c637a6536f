"""Detection limits: what of a feed would be found from which size by a study, and what would pass.

One channel, marker or run of frames at a time is made untrue in a copy in memory, by sizes from large to small until
one passes; each copy is judged as the record was. No faulty copy touches a disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from monitor.commissioning.proving.anew import Anew, trials_of
from monitor.commissioning.proving.faults import (
    CHANNELS,
    LOST_FRAMES,
    MOVED,
    SIGNAL,
    WHOLE_BODY,
    Body,
    Fault,
    Place,
    Spoiling,
    both_ways,
    spoil_body,
    spoil_channel,
)
from monitor.errors import WitnessError
from monitor.judging.case.case import trial_window
from monitor.judging.case.trial import Trial
from monitor.record.reader import RecordReading
from monitor.study.loading import parse_study
from monitor.study.model import Study
from monitor.study.needs import needed_channels

BY_RESULT = frozenset(("condition-not-met", "fired-early", "fired-late", "hazard-missing"))
"""Findings that an untrue value gives as a true one would: nobody knows by them that a channel is untrue."""

LEAST_CHANGE = 1e-3

SHORT_CHANNELS = ("speed", "accel", "station", "x", "lane_offset")
SHORT_KINDS = ("scale", "step", "freeze", "another vehicle")

Judge = Callable[[float], Trial | None]


@dataclass(frozen=True, slots=True)
class Tried:
    """A copy with a fault of one size. `found`: what tells of it. `off`: how far the conditions' values were from the
    record's."""

    size: float
    verdict: str
    found: tuple[str, ...]
    off: dict[str, float]


@dataclass(slots=True)
class Limit:
    """What became of one fault of one channel."""

    trial: str
    verdict: str
    """As it was recorded."""
    who: str
    channel: str
    fault: Fault
    tried: list[Tried] = field(default_factory=list)

    @property
    def found_from(self) -> float | None:
        """The least size from which on all were found; None where the largest passed."""
        lost = max((abs(one.size) for one in self.tried if not one.found), default=0.0)
        return min((abs(one.size) for one in self.tried if abs(one.size) > lost), default=None)

    @property
    def found_as(self) -> tuple[str, ...]:
        """What told it, the commonest first."""
        least = self.found_from
        codes = [] if least is None else [code for one in self.tried if abs(one.size) >= least for code in one.found]
        return tuple(sorted(dict.fromkeys(codes), key=lambda code: -codes.count(code)))

    @property
    def passed(self) -> list[Tried]:
        """The copies that nothing was found in."""
        return [one for one in self.tried if not one.found]

    @property
    def off(self) -> tuple[str, float] | None:
        """The condition whose value was furthest off, for its share, in a copy that passed, and by how much."""
        every = [(abs(by), name) for one in self.passed for name, by in one.off.items()]
        if not every:
            return None
        by, name = max(every)
        return name, by

    @property
    def is_misled(self) -> bool:
        """Whether a copy that passed got another verdict than the record: by the untrue value alone."""
        return any(one.verdict != self.verdict for one in self.passed)

    @property
    def would_pass(self) -> bool:
        """Whether the largest size that was tried passed, and changed something."""
        return self.found_from is None and (self.off is not None or self.is_misled)

    def as_json(self) -> dict[str, Any]:
        """The limit for programs."""
        off = self.off
        return {
            "trial": self.trial,
            "of": self.who,
            "channel": self.channel,
            "fault": self.fault.kind,
            "unit": self.fault.unit,
            "found_from": self.found_from,
            "found_as": list(self.found_as),
            "largest_tried": max(self.fault.sizes),
            "passed": [{"size": one.size, "verdict": one.verdict, "off": one.off} for one in self.passed],
            "off": None if off is None else {"condition": off[0], "by": off[1]},
            "misled": self.is_misled,
            "would_pass": self.would_pass,
        }


@dataclass(frozen=True, slots=True)
class Proof:
    """The limits of a study on a record. `trials`: each with its verdict and the rate of its frames."""

    record: str
    study: str
    study_sha256: str
    trials: tuple[tuple[str, str, float], ...]
    limits: tuple[Limit, ...]
    left_out: tuple[str, ...] = ()
    """Trials that came after a blind one that nobody has ruled on."""

    @property
    def copies(self) -> int:
        """How many copies were judged."""
        return sum(len(one.tried) for one in self.limits)

    def as_json(self) -> dict[str, Any]:
        """The proof for programs."""
        return {
            "type": "detection limits",
            "record": self.record,
            "study": self.study,
            "study_sha256": self.study_sha256,
            "trials": [{"trial": name, "verdict": verdict, "rate_hz": rate} for name, verdict, rate in self.trials],
            "copies": self.copies,
            "would_pass": [one.as_json() for one in self.limits if one.would_pass],
            "limits": [one.as_json() for one in self.limits],
            "left_out": list(self.left_out),
        }


def prove(
    path: Path,
    study: Study | None = None,
    *,
    short: bool = False,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Proof:
    """The limits on a record by one trial of each trigger; by its own study where none is given. `short`: only the
    largest size of the commonest faults, of the channels that most conditions are made of. `jobs`: so many
    processes share the faults. `progress` is told how many faults of how many are done."""
    reading = RecordReading(path)
    study = study or parse_study(reading.opening.study_text, f"study file in {path}")
    work = _Work(reading, study, short=short)
    if not work.trials:
        raise WitnessError(f"{path} holds no trial of {study.name} that fired: there is nothing to prove by.")
    if jobs > 1:
        _share(work, path, jobs, progress)
    else:
        for place in range(len(work.faults)):
            if progress is not None:
                progress(place, len(work.faults))
            work.try_one(place)
    return Proof(
        record=path.name,
        study=study.name,
        study_sha256=study.sha256,
        trials=tuple((one.trial.id, one.trial.verdict, one.rate_hz) for one in work.trials),
        limits=tuple(limit for _, limit, _ in work.faults),
        left_out=work.left_out,
    )


class _Work:
    """The trials of a record that are proved by, and every fault that is tried on them."""

    def __init__(self, reading: RecordReading, study: Study, *, short: bool) -> None:
        self.study = study
        self.short = short
        self.trials, self.left_out = trials_of(reading, study)
        self.faults = [(anew, *one) for anew in self.trials for one in _faults(anew, short=short)]

    def try_one(self, place: int) -> list[Tried]:
        """Tries the fault at a place by its sizes; what became of each."""
        anew, limit, judge = self.faults[place]
        _try_sizes(anew.trial, limit, judge, most=1 if self.short else len(limit.fault.sizes))
        return limit.tried


def _share(work: _Work, path: Path, jobs: int, progress: Callable[[int, int], None] | None) -> None:
    """The faults tried by several processes: each reads the record and takes every so many of them."""
    done = 0
    with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:
        asked = (path, work.study.text, work.short)
        shares = [pool.submit(_try_share, *asked, range(first, len(work.faults), jobs)) for first in range(jobs)]
        for share in as_completed(shares):
            for place, tried in share.result():
                work.faults[place][1].tried += tried
                done += 1
            if progress is not None:
                progress(done, len(work.faults))


def _try_share(path: Path, study_text: str, short: bool, places: Sequence[int]) -> list[tuple[int, list[Tried]]]:
    work = _Work(RecordReading(path), parse_study(study_text, str(path)), short=short)
    return [(place, work.try_one(place)) for place in places]


def _try_sizes(true: Trial, limit: Limit, judge: Judge, most: int) -> None:
    """From large to small, until one passes, `most` at most."""
    for size in sorted(limit.fault.sizes, reverse=True)[:most]:
        tried = [_compared(true, limit, signed, judge(signed)) for signed in both_ways(limit.fault, size)]
        limit.tried += tried
        if not all(one.found for one in tried):
            return


def _compared(true: Trial, limit: Limit, size: float, trial: Trial | None) -> Tried:
    if trial is None:
        return Tried(size, "none", ("no trial",), {})
    known = {(one.code, one.severity) for one in true.findings}
    found = [one.code for one in trial.findings if (one.code, one.severity) not in known]
    if limit.who != "markers":
        found = [code for code in found if code not in BY_RESULT]
    before = {one.name: one for one in true.conditions}
    off: dict[str, float] = {}
    for one in trial.conditions:
        was = before[one.name]
        if one.value is not None and was.value is not None and abs(one.value - was.value) > LEAST_CHANGE:
            off[one.name] = one.value - was.value
    if not found and trial.verdict == "undecided" and true.verdict != "undecided":
        found.append("undecided")
    return Tried(size, trial.verdict, tuple(dict.fromkeys(found)), off)


def _faults(anew: Anew, *, short: bool) -> Iterator[tuple[Limit, Judge]]:
    """Each fault that the trial's feed can have, and the trial as judged by a copy with a size of it."""
    yield from _of_bodies(anew, short=short)
    if short:
        return
    frames, place = anew.frames, Place(anew.frames.t - anew.marker.t, 0.0)
    needed = needed_channels(anew.study)
    for name in frames.signals:
        if name in needed:
            for fault in SIGNAL:
                yield _limit(anew, "signal", name, fault), _judge_signal(anew, name, fault, place)
    yield _limit(anew, "frames", "all", LOST_FRAMES), lambda size: anew.without_frames(place.last(size))
    for kind, words in (("trigger", "trigger"), ("alert_on", "alert")):
        markers = anew.markers(kind)
        if markers:
            yield _limit(anew, "markers", words, MOVED), _judge_moved(anew, markers)


def _of_bodies(anew: Anew, *, short: bool) -> Iterator[tuple[Limit, Judge]]:
    after_s = max(trial_window(anew.trigger)[1], 0.0)
    bodies = [(Body("own car"), 0.0)] + ([(anew.other, after_s)] if anew.other is not None else [])
    for body, ends_s in bodies:
        place = Place(body.times(anew.frames) - anew.marker.t, ends_s)
        for name, faults in CHANNELS.items():
            if not np.isfinite(body.channel(anew.frames, name)).any() or (short and name not in SHORT_CHANNELS):
                continue
            for fault in faults:
                if not short or fault.kind in SHORT_KINDS:
                    spoken = "place" if name == "x" else name
                    yield _limit(anew, body.who, spoken, fault), _judge_channel(anew, body, name, fault, place)
        for fault in () if body.id is None else WHOLE_BODY:
            if not short or fault.kind in SHORT_KINDS:
                yield _limit(anew, body.who, "all of it", fault), _judge_body(anew, body, fault, place)


def _limit(anew: Anew, who: str, channel: str, fault: Fault) -> Limit:
    return Limit(anew.trial.id, anew.trial.verdict, who, channel, fault)


def _judge_channel(anew: Anew, body: Body, name: str, fault: Fault, place: Place) -> Judge:
    return lambda size: anew.judge(spoil_channel(anew.frames, body, name, Spoiling(fault, place, size)))


def _judge_body(anew: Anew, body: Body, fault: Fault, place: Place) -> Judge:
    return lambda size: anew.judge(spoil_body(anew.frames, body, Spoiling(fault, place, size)))


def _judge_signal(anew: Anew, name: str, fault: Fault, place: Place) -> Judge:
    def judge(size: float) -> Trial | None:
        signals = {**anew.frames.signals, name: fault.spoil(place, anew.frames.signals[name], size)}
        return anew.judge(replace(anew.frames, signals=signals))

    return judge


def _judge_moved(anew: Anew, markers: list[int]) -> Judge:
    return lambda size: anew.with_moved(markers, size)

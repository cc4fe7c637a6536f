"""Any number of a record about an instant, frame by frame: what plots and exported tables are made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.feed.marker_kinds import KINDS, word_on_plot
from monitor.following.view import TimelineMark
from monitor.judging.blinding import Span, hidden_frames, hidden_spans, hides_marker, reveals
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.case.values import channel_values, role_channel
from monitor.judging.session import Session
from monitor.measures.columns import FloatArray, IntArray
from monitor.measures.gap import pair_measures
from monitor.measures.measured import State, StateArray
from monitor.measures.names import MEASURES
from monitor.replay.lines.rows import lead_rows_of
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.study.band import Band
from monitor.study.model import Measure, Study

LONGEST_S = 60.0
"""A stretch is at most this long: judging keeps at least so much of a drive at hand."""

LEAD_CHANNELS = ("speed", "accel")
OWN_LAST = ("x", "y", "heading", "length", "width", "lane")


@dataclass(frozen=True, slots=True)
class Series:
    """One number over the frames of a stretch, NaN where there is none; `state` says why. Shapes (n,)."""

    measure: Measure
    definition: str
    value: FloatArray
    state: StateArray
    bands: tuple[tuple[str, Band], ...]
    """Conditions on it: trigger and band."""
    hidden: bool = False
    """True where a blind study hides a part of it."""

    @property
    def name(self) -> str:
        """As the study file would write it: "time_gap", "lead.speed" …"""
        return self.measure.text

    def word_at(self, index: int) -> str:
        """Why there is no number at a frame."""
        if self.hidden and not np.isfinite(self.value[index]):
            return "masked"
        return State(int(self.state[index])).text


@dataclass(frozen=True, slots=True)
class SeriesStretch:
    """All numbers of a drive between two times (seconds of the drive), and what happened there."""

    record: str
    participant: str
    drive: int
    start_t: float
    end_t: float
    period_s: float
    t: FloatArray
    number: IntArray
    """Entry of the record that each frame came in; −1 where that is hidden."""
    seq: IntArray
    series: tuple[Series, ...]
    marks: tuple[TimelineMark, ...]
    lost: tuple[tuple[float, float], ...]
    """Times between which frames are missing."""

    def named(self, name: str) -> Series | None:
        """The series of this name, None where the record does not have it."""
        return next((one for one in self.series if one.name == name), None)

    def frame_at(self, t: float) -> int:
        """Index of the frame nearest to a time; −1 where there is none."""
        return int(np.argmin(np.abs(self.t - t))) if len(self.t) else -1


def series_about(found: RecordMap, playback: Playback, drive: int, start_t: float, end_t: float) -> SeriesStretch:
    """The numbers between two times of a drive, at most `LONGEST_S`. `playback` is moved."""
    end_t = min(end_t, start_t + LONGEST_S)
    playback.go_to(found.surely_after(drive, end_t))
    session = playback.session
    if not 1 <= drive <= len(session.drives):
        return _nothing(found, session, drive, start_t, end_t)
    log = session.drives[drive - 1].log
    stretch = cut_stretch(log, start_t, end_t, session.last_number)
    if stretch is None:
        return _nothing(found, session, drive, start_t, end_t)
    hidden = hidden_spans(playback.trials(), drive)
    # nothing is given of the time after a hidden response: not even that, and when, there is something
    end_t = min([end_t, *(span.end_t for span in hidden)])
    inside = (stretch.t >= start_t) & (stretch.t <= end_t)
    series = [_masked(found.study, one, stretch.t, hidden) for one in _all_series(found.study, stretch)]
    return SeriesStretch(
        record=found.path.name,
        participant=session.opening.participant,
        drive=drive,
        start_t=start_t,
        end_t=end_t,
        period_s=stretch.period_s,
        t=stretch.t[inside],
        # what was entered between two frames shows in their numbers
        number=np.where(hidden_frames(hidden, stretch.t), -1, stretch.frames.number)[inside],
        seq=stretch.frames.seq[inside],
        series=tuple(
            Series(one.measure, one.definition, one.value[inside], one.state[inside], one.bands, one.hidden)
            for one in series
            if one.measure.kind == "pair" or np.isfinite(one.value[inside]).any()  # by being there it would tell
        ),
        marks=tuple(_marks(found, log, start_t, end_t, hidden)),
        lost=tuple((loss.after_t, loss.before_t) for loss in stretch.losses if loss.touches(start_t, end_t)),
    )


def _nothing(found: RecordMap, session: Session, drive: int, start_t: float, end_t: float) -> SeriesStretch:
    none = np.empty(0, np.int64)
    who = session.opening.participant
    return SeriesStretch(found.path.name, who, drive, start_t, end_t, 1.0 / 60.0, np.empty(0), none, none, (), (), ())


def _all_series(study: Study, stretch: Stretch) -> list[Series]:
    rows = lead_rows_of(stretch)
    frames = stretch.frames
    found = [_own(study, stretch, name) for name in frames.own if name not in OWN_LAST and name != "lane_offset"]
    pair = pair_measures(frames, stretch.road, rows)
    for name, measured in pair.items():
        measure = Measure("pair", name, "lead", MEASURES[name].unit)
        found.append(Series(measure, MEASURES[name].definition, measured.value, measured.state, _bands(study, measure)))
    for name, measured in stretch.lateral.items():
        measure = Measure("lateral", name, None, MEASURES[name].unit)
        found.append(Series(measure, MEASURES[name].definition, measured.value, measured.state, _bands(study, measure)))
    for name in LEAD_CHANNELS:
        measured = role_channel(frames, name, rows)
        measure = Measure("role", name, "lead", MEASURES[name].unit)
        words = "of the nearest vehicle ahead in own path"
        found.append(Series(measure, words, measured.value, measured.state, _bands(study, measure)))
    for name in frames.signals:
        signal = study.signals.get(name)
        measure = Measure("signal", name, None, signal.unit if signal is not None else "")
        measured = channel_values(frames, measure, rows)
        found.append(Series(measure, "signal of the feed", measured.value, measured.state, _bands(study, measure)))
    found += [_own(study, stretch, name) for name in OWN_LAST if name in frames.own]
    return [one for one in found if np.isfinite(one.value).any() or one.measure.kind == "pair"]


def _own(study: Study, stretch: Stretch, name: str) -> Series:
    known = MEASURES.get(name)
    measure = Measure("own", name, None, known.unit if known is not None else "")
    measured = channel_values(stretch.frames, measure, np.empty(0, np.int64))
    words = known.definition if known is not None else "own car, as the simulator gives it"
    return Series(measure, words, measured.value, measured.state, _bands(study, measure))


def _bands(study: Study, measure: Measure) -> tuple[tuple[str, Band], ...]:
    return tuple(
        (trigger.name, condition.band)
        for trigger in study.triggers
        for condition in trigger.conditions
        if condition.measure.text == measure.text and condition.measure.kind == measure.kind
    )


def _masked(study: Study, series: Series, t: FloatArray, hidden: tuple[Span, ...]) -> Series:
    """Without what a blind record hides from the fire on."""
    frames = hidden_frames(hidden, t)
    if not reveals(study, series.measure) or not frames.any():
        return series
    value = np.where(frames, math.nan, series.value)
    return Series(series.measure, series.definition, value, series.state, series.bands, hidden=True)


def _marks(
    found: RecordMap, log: DriveLog, start_t: float, end_t: float, hidden: tuple[Span, ...]
) -> list[TimelineMark]:
    marks = [
        TimelineMark(marker.t, word, f"{marker.name} {marker.kind.partition('_')[2]}".rstrip())
        for marker in log.markers.values()
        if (word := word_on_plot(KINDS[marker.kind])) and not hides_marker(hidden, marker.kind, marker.t)
    ]
    for (number, name, _), track in found.done_tracks.items():
        if number == log.index and track.trial is not None and track.trial.timing.expected_at is not None:
            marks.append(TimelineMark(track.trial.timing.expected_at, "expected", f"{name} expected"))
    marks += [
        TimelineMark(place.t, place.kind, place.label)
        for place in found.places
        if place.drive == log.index and place.kind == "note"
    ]
    return sorted((one for one in marks if start_t <= one.t <= end_t), key=lambda one: one.t)

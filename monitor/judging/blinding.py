"""What a blind record hides until each ruling is made: the one place that is asked.

Three tables say of each of their rows whether it `reveals` the driver's response: the measures (`measures/names.py`),
the marker kinds (`feed/marker_kinds.py`) and the reasons (`study/reasons.py`). What is derived reveals if any of its
inputs does. Derived are also the time between two events of which the later one depends on how fast the car went, how
long a drive took, what ended it, and how many frames it has.

Own channels reveal, and so does a role that is chosen by the own car's way (`lead` without a name); a role that names
its vehicle is scripted. A further signal reveals unless the study says that it is the script's, the alert's or the
task's.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import accumulate
from operator import attrgetter
from typing import Any

import numpy as np

from monitor.errors import StudyFaults
from monitor.feed.marker_kinds import KINDS
from monitor.judging.case.case import trial_window
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import ConditionEvidence, Finding, Timing, Trial
from monitor.measures.columns import BoolArray, FloatArray
from monitor.measures.names import MEASURES
from monitor.record.entries import Opening
from monitor.study.loading import parse_study
from monitor.study.model import Study, Trigger
from monitor.study.reasons import WHEN_REVEALS
from monitor.study.terms import Condition, Measure

SCRIPTED = ("scripted", "alert", "task")
"""Sources of signals that say nothing of the driver."""

BEFORE_END_S = 1.0
"""A screen's newest frame may be so much older than the drive's last one."""

LEAST_PACE = 0.25
"""Nobody drives in a simulator that is slower than that, in times real time: it stood still (common practice, no
source)."""

_TIME = re.compile(r"\d+\.\d+(?=(?: (?:and|to) \d+\.\d+)? s\b)")
_HIDDEN_TIME = "(hidden)"


@dataclass(frozen=True, slots=True)
class Span:
    """From a fire whose response is hidden to the end of the response's horizon, in seconds of the drive."""

    trial: str
    start_t: float
    end_t: float


# --- which records


def is_blind(study: Study, opening: Opening) -> bool:
    """Whether a record is blind: the file that judges says so, or the one that the record was opened with.

    A record that was opened blind stays so under any study file. A text that does not load any more counts as blind.
    """
    return study.blind or (opening.study_text != study.text and _opened_blind(opening.study_text))


@lru_cache(maxsize=32)
def _opened_blind(text: str) -> bool:
    try:
        return parse_study(text, "the record's study file").blind
    except StudyFaults:
        return True


# --- what reveals


def reveals(study: Study, measure: Measure) -> bool:
    """Whether a number tells of the driver's response."""
    if measure.kind == "signal":
        signal = study.signals.get(measure.name)
        return signal is None or signal.source not in SCRIPTED
    if measure.kind == "role":
        return chosen_by_own_way(study, measure.role)
    known = MEASURES.get(measure.name)
    return known is None or known.reveals


def condition_reveals(study: Study, condition: Condition) -> bool:
    """Whether any of the numbers that a condition looks at tells of the driver's response."""
    return any(reveals(study, one.measure) for one in condition.alternatives)


def chosen_by_own_way(study: Study, role: str | None) -> bool:
    """Whether it depends on where the own car is which vehicle a role stands for."""
    named = study.roles.get(role or "")
    return named is None or (named.vehicle is None and named.id is None)


# --- which trials


def hide(study: Study, trials: Iterable[Trial]) -> tuple[Trial, ...]:
    """The trials of a blind record as anybody may see them.

    A hidden response is taken out, with the findings that tell of it. A trial that came after a hidden one of its drive
    loses its times.
    """
    trials = tuple(trials)
    triggers = {trigger.name: trigger for trigger in study.triggers}
    hiding: dict[int, list[tuple[float, float]]] = {}
    for trial in trials:
        from_t = trial.fire_t
        if trial.response_hidden and from_t is not None:
            span = from_t, _horizon_end(triggers[trial.trigger], trial, from_t)
            hiding.setdefault(trial.drive, []).append(span)
    spans = {drive: _Spans(found) for drive, found in hiding.items()}
    return tuple(_hidden(study, triggers[one.trigger], one, spans.get(one.drive)) for one in trials)


def hidden_spans(trials: Iterable[Trial], drive: int | None) -> tuple[Span, ...]:
    """The times of a drive in which own car's doing is the response to a trial that is hidden."""
    found = []
    for trial in trials:
        if not trial.response_hidden or trial.hidden_from is None or trial.hidden_to is None:
            continue
        if trial.drive == drive:
            found.append(Span(trial.id, trial.hidden_from, trial.hidden_to))
        found += [Span(trial.id, from_t, to_t) for index, from_t, to_t in trial.hidden_in if index == drive]
    return tuple(found)


def hide_across(study: Study, trials: Iterable[Trial], drives: Sequence[DriveLog]) -> tuple[Trial, ...]:
    """The trials of `hide`, with what a drive that was cut off inside a hidden horizon hides of those after it. Whoever
    is killed or stopped and started again, as a bridge, begins a new drive, in which the same car is driven on: until
    the horizon would have ended, what it does is the response. What is left of it is counted by the drive's own time
    as far as that went, and while nothing came by the recorder's clock, as much slower as the drive was since the
    fire; in a pause nothing of it goes by."""
    found = [replace(one, hidden_in=spilled) if (spilled := tuple(_spilled(one, drives))) else one for one in trials]
    begins: dict[int, float] = {}
    for trial in found:
        for index, from_t, _ in trial.hidden_in:
            begins[index] = min(from_t, begins.get(index, math.inf))
    return tuple(_without_times(study, one, begins[one.drive]) if one.drive in begins else one for one in found)


def _spilled(trial: Trial, drives: Sequence[DriveLog]) -> Iterable[tuple[int, float, float]]:
    if trial.hidden_from is None or trial.hidden_to is None:
        return
    log = drives[trial.drive - 1]
    if log.newest_t >= trial.hidden_to:
        return
    fire, pace = _fire_of(trial, log), 1.0
    newest_t, newest_ns = trial.hidden_from, None if fire is None else fire.monotonic_ns
    if log.newest_t >= trial.hidden_from:  # else no frame came since, or none at all
        took_s = 0.0 if newest_ns is None else (log.newest_ns - newest_ns) / 1e9
        pace = min(max((log.newest_t - trial.hidden_from) / took_s, LEAST_PACE), 1.0) if took_s > 0.0 else 1.0
        newest_t, newest_ns = log.newest_t, None if newest_ns is None else log.newest_ns
    for later in drives[trial.drive :]:
        since_s = 0.0 if log.paused else _since_s(newest_ns, later)
        left_s = trial.hidden_to - newest_t - pace * since_s
        if left_s > 0.0 and later.counts.judged:
            yield later.index, later.first_t - later.period_s, later.first_t + left_s


def _fire_of(trial: Trial, log: DriveLog) -> ReceivedMarker | None:
    """The marker that a trial of this drive fired by. It is never gone; whoever asks hides all that it would bound
    where it is."""
    named = (one for one in log.markers.values() if (one.kind, one.name) == ("trigger", trial.trigger))
    return min((one for one in named if one.t == trial.fired_at), key=attrgetter("number"), default=None)


def _since_s(then_ns: int | None, later: DriveLog) -> float:
    """How long ago something came when a later drive began, and no longer than it was: by the boot clock, since the
    other one may step. That begins anew with the machine: then it says less than it was, or nothing."""
    return 0.0 if then_ns is None else max((later.hello_ns - then_ns) / 1e9, 0.0)


def lifting(entries: Iterable[Mapping[str, Any]]) -> frozenset[str]:
    """The trials whose blindness these operator's entries lift."""
    lifts = (one for one in entries if one.get("type") == "reveal" or one.get("verdict") in ("valid", "invalid"))
    return frozenset(str(one.get("trial")) for one in lifts if one.get("type") in ("reveal", "ruling"))


@dataclass(frozen=True, slots=True)
class ToldTimes:
    """Which times of what was entered may be told while a response of the record is hidden. Whatever is entered after a
    drive has its last frame's time, and stands on the wall's clock where the drive was over: both tell how long it
    took, and so does the clock of whatever followed, in the next drive, too. What followed is told by the order of the
    record's entries: a clock may step.

    What was entered after the record's end keeps its clock: when somebody came back to it tells nothing.
    """

    ends: Mapping[int, float]
    """Drive with a hidden response → its last frame's time, as far as it is known."""
    from_number: float
    """The entry of the first fire whose response is hidden; infinite where nothing is."""
    entered_in: Mapping[float, int]
    """Clock of what was entered in the record → the number of its entry."""

    @property
    def tells_all(self) -> bool:
        """Whether nothing has to be hidden."""
        return not self.ends

    def follows(self, drive: int) -> bool:
        """Whether a drive came after one with a hidden response."""
        return drive > min(self.ends, default=drive)

    def at(self, drive: int | None, at: float | None) -> float | None:
        """When in a drive something was entered; None at the end of one with a hidden response."""
        end_t = math.inf if drive is None else self.ends.get(drive, math.inf)
        return None if at is not None and at > end_t - BEFORE_END_S else at

    def wall(self, wall: float) -> float | None:
        """When something was entered, in seconds since 1970; None: after a fire whose response is hidden."""
        return None if self.entered_in.get(wall, -1) > self.from_number else wall

    def received(self, marker: ReceivedMarker) -> float | None:
        """When a marker was received, in seconds since 1970; None as of what was entered."""
        return None if marker.number > self.from_number else marker.wall


def told_times(trials: Iterable[Trial], drives: Iterable[DriveLog], entered_in: Mapping[float, int]) -> ToldTimes:
    """`trials`: as they may be seen. `entered_in`: as of the operator's log."""
    trials, logs = tuple(trials), {log.index: log for log in drives}
    ends = {index: log.newest_t for index, log in logs.items() if hidden_spans(trials, index)}
    hidden = (one for one in trials if one.response_hidden and one.hidden_to is not None)
    fires = (_fire_of(one, logs[one.drive]) for one in hidden)
    return ToldTimes(ends, min((-1 if one is None else one.number for one in fires), default=math.inf), entered_in)


def without_hidden_times(trials: Iterable[Trial], times: ToldTimes) -> tuple[Trial, ...]:
    """The trials without when they were ruled on, where that may not be told, and without the clock of those in later
    drives than one with a hidden response."""
    return tuple(trials) if times.tells_all else tuple(_without_when(one, times) for one in trials)


def _without_when(trial: Trial, times: ToldTimes) -> Trial:
    if times.follows(trial.drive):
        trial = replace(trial, wall=None)
    if not trial.rulings:
        return trial
    hide_when = [one.at is not None or times.wall(one.wall) is None for one in trial.rulings]
    rulings = (replace(one, hides_when=hides) for one, hides in zip(trial.rulings, hide_when, strict=True))
    return replace(trial, rulings=tuple(rulings))


def masked_from(trials: Iterable[Trial], drive: int | None) -> float | None:
    """The instant of a drive from which on what reveals is hidden in everything but a live picture; None: nowhere."""
    return min((span.start_t for span in hidden_spans(trials, drive)), default=None)


def spans_in_picture(study: Study, trials: Iterable[Trial], drive: int | None, *, history: bool) -> tuple[Span, ...]:
    """The times that a picture leaves out. A live one gets the current values back at the end of each horizon, unless
    the study wants them hidden to the ruling; one of a record that is looked at afterwards (`history`) does not."""
    spans = hidden_spans(trials, drive)
    if history or study.blind_live == "to ruling":
        return tuple(replace(span, end_t=math.inf) for span in spans)
    return spans


def hides(spans: Iterable[Span], t: float | None, *, over_s: float = 0.0) -> bool:
    """Whether what reveals is hidden at an instant; `over_s`: of a number that looks back so far."""
    return t is not None and any(span.start_t < t <= span.end_t + over_s for span in spans)


def hides_marker(spans: Iterable[Span], kind: str, t: float) -> bool:
    """Whether a marker is hidden."""
    return KINDS[kind].reveals and hides(spans, t)


def hidden_frames(spans: Iterable[Span], t: FloatArray, *, over_s: float = 0.0) -> BoolArray:
    """Which of the frames are hidden in what reveals. Shapes (n,)."""
    hidden = np.zeros(len(t), np.bool_)
    for span in spans:
        hidden |= (t > span.start_t) & (t <= span.end_t + over_s)
    return hidden


def hide_times(sentence: str, from_t: float) -> str:
    """A sentence without the times of the drive that are not before `from_t`."""
    return _TIME.sub(lambda found: _HIDDEN_TIME if float(found.group()) >= from_t else found.group(), sentence)


def _horizon_end(trigger: Trigger, trial: Trial, fired_t: float) -> float:
    """End of the time that is watched for the response. Until its origin is known, the latest that it can be."""
    rule = trigger.response
    if rule is None:
        return fired_t + trial_window(trigger)[1]
    if trial.response is not None:
        return trial.response.t0 + rule.horizon_s
    wait_s = trigger.hazard.within_s if trigger.hazard is not None and rule.origin != "fire" else 0.0
    return fired_t + wait_s + rule.horizon_s


class _Spans:
    """The hidden times of a drive, in order, so that a drive of many trials costs in proportion to them."""

    def __init__(self, spans: list[tuple[float, float]]) -> None:
        spans.sort()
        self.starts = [start_t for start_t, _ in spans]
        self._reach = list(accumulate((end_t for _, end_t in spans), max))

    def meet(self, start_t: float, end_t: float) -> bool:
        """Whether any of them has a part of this time."""
        before = bisect_right(self.starts, end_t)
        return before > 0 and self._reach[before - 1] >= start_t


def _hidden(study: Study, trigger: Trigger, trial: Trial, spans: _Spans | None) -> Trial:
    from_t = trial.fire_t
    if from_t is not None and spans is not None:
        end_t = _horizon_end(trigger, trial, from_t)
        if trial.response_hidden:
            trial = replace(trial, hidden_from=from_t, hidden_to=end_t)
        elif spans.meet(from_t, end_t):
            trial = replace(trial, beside_hidden=True)
    if trial.response_hidden:
        withheld = from_t is not None
        trial = replace(trial, withheld=withheld, response=None, findings=tuple(_told(study, trial)))
    # what is found of one that was not told may count the markers that a driver who responds sends more of
    at = math.inf if trial.fired_at is None else trial.fired_at
    return _without_times(study, trial, spans.starts[0]) if spans is not None and spans.starts[0] < at else trial


def _told(study: Study, trial: Trial) -> Iterable[Finding]:
    """The findings of a trial whose response is hidden. One that reveals and decides is told by its code alone, because
    it has to be ruled on; one that decides nothing is left out."""
    fired_at = math.inf if trial.fired_at is None else trial.fired_at
    for one in trial.findings:
        yield from (one,) if one.at is not None and one.at <= fired_at else _late(study, one, fired_at)


def _late(study: Study, one: Finding, from_t: float) -> Iterable[Finding]:
    """What may be told of a finding that came after a fire whose response is hidden."""
    reason = study.reasons.get(one.code)
    if one.code in WHEN_REVEALS:
        yield replace(one, sentence=hide_times(one.sentence, from_t), at=None)
    elif reason is None or not reason.reveals:
        yield one
    elif one.severity != "note":
        yield replace(one, sentence=f"{reason.words}; when and how is hidden until the ruling.", at=None)


def _without_times(study: Study, trial: Trial, from_t: float) -> Trial:
    def late(t: float | None) -> bool:
        return t is not None and t >= from_t

    told = (kept for one in trial.findings for kept in (_late(study, one, from_t) if late(one.at) else (one,)))
    return replace(
        trial,
        hidden_after=from_t,
        wall=None,
        findings=tuple(
            replace(
                one,
                sentence=hide_times(one.while_hidden or one.sentence, from_t),
                at=None if late(one.at) else one.at,
                while_hidden="",
            )
            for one in told
        ),
        alert=replace(trial.alert, at=None) if late(trial.alert.at) else trial.alert,
        what_now=hide_times(trial.what_now, from_t),
        timing=_coarse(trial.timing),
        conditions=tuple(replace(one, evidence=_without_numbers(one.evidence)) for one in trial.conditions),
    )


def _coarse(timing: Timing) -> Timing:
    """To the microsecond: the last digits of a difference of two times tell how large the times were."""
    delay_s, frames = (None if one is None else round(one, 6) for one in (timing.delay_s, timing.delay_frames))
    return replace(timing, delay_s=delay_s, delay_frames=frames)


def _without_numbers(evidence: ConditionEvidence | None) -> ConditionEvidence | None:
    """By what a value was checked, and no more: the numbers come from what was driven for many seconds before it."""
    return None if evidence is None else replace(evidence, rebuilt=None, differs=None, noticed_from=None)

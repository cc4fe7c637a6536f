"""A rehearsal, judged from its record: a drive by staff in which every trigger, alert and task must fire."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from monitor.commissioning.rehearsal.pacing import RATE_OFF, Pacing, PacingLog
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello
from monitor.judging.case.pacing import is_off_pace
from monitor.judging.case.trial import Trial
from monitor.judging.day.log import InTheSeat
from monitor.judging.session import DriveTrials, Session
from monitor.record.entries import Entry, EntryKind, unpack_frames
from monitor.record.reader import RecordReading
from monitor.study.model import Condition, Study

NOT_THE_SIMULATOR = frozenset(
    (
        "not-naive",
        "naive-unknown",
        "group-mismatch",
        "group-unknown",
        "participant-mismatch",
        "condition-not-met",
        "fired-twice",
    )
)
"""Findings that a rehearsal by staff says nothing by: they know the events, and drive as nobody in the plan."""

BY_THE_DRIVER = frozenset(
    ("braking-before-hazard", "accelerator-released-before", "two-footed", "collision-before-fire", "task-score")
)
"""What the member of staff did, and not the simulator: looked at, and no reason against the day."""

TASK_ABOUT_S = 6.0
"""Items of a task this near to a fire are those of its task: a look away lasts some two to three seconds."""

DELAY_AT_MOST_S = 2.0
"""A sensor that sees an alert later than this after a command has seen another one."""


@dataclass(frozen=True, slots=True)
class Fired:
    """One trigger as it fired. `gap_m`, `time_gap_s`: to the lead, at the frame at or before the fire."""

    trigger: str
    trial: str
    at: float
    timing: str
    delay_s: float | None
    gap_m: float | None
    time_gap_s: float | None
    alert: tuple[str, ...]
    alert_after_s: float | None
    conditions: tuple[tuple[str, str], ...]
    """Name and result of each condition."""
    task_item_s: float | None = None
    """Median time between the items of the visual task about the fire."""


@dataclass(frozen=True, slots=True)
class OutputDelay:
    """From command to output of one modality, as a sensor saw it."""

    modality: str
    count: int
    median_s: float
    least_s: float
    most_s: float


@dataclass(slots=True)
class Rehearsed:
    """What a rehearsal showed."""

    record: str
    drives: int
    groups: tuple[str, ...]
    fired: list[Fired] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    """What did not fire, a sentence each."""
    against: list[str] = field(default_factory=list)
    """Reasons against the day, a sentence each; those of `missing` are among them."""
    look_at: list[str] = field(default_factory=list)
    """What somebody should look at; no reason against the day."""
    delays: list[OutputDelay] = field(default_factory=list)
    pacing: Pacing | None = None
    channel_maps: tuple[str, ...] = ()
    """Digests of the channel maps that the simulator's bridge named."""
    perceived: tuple[InTheSeat, ...] = ()
    """How somebody in the seat perceived each alert and volume."""

    @property
    def go(self) -> bool:
        """Whether everything worked."""
        return not self.against


class RehearsalWatch:
    """Takes a record's entries in order; `rehearsed()` at any time is what they show so far."""

    def __init__(self, study: Study, session: Session, groups: tuple[str, ...]) -> None:
        self.session = session
        self._study, self._groups = study, groups
        self._pacing = PacingLog()
        self._gaps: dict[str, tuple[float | None, float | None]] = {}

    def take(self, entries: list[Entry]) -> None:
        """The next entries of the record."""
        for entry in entries:
            if entry.kind is EntryKind.MESSAGE:
                message = decode_message(unpack_frames(entry.payload))
                if isinstance(message, Frame):
                    self._pacing.take(message, entry.monotonic_ns)
                elif isinstance(message, Hello):
                    self._pacing.stated_hz = message.rate_hz
        self.session.take(entries)
        for trial in self.session.trials():
            if trial.fired_at is not None and trial.id not in self._gaps:
                gaps = _gap_at(self.session.drives[trial.drive - 1], trial.fired_at)
                if gaps is not None:
                    self._gaps[trial.id] = gaps

    def rehearsed(self, record: str) -> Rehearsed:
        """The rehearsal so far."""
        session = self.session
        trials = session.trials()
        found = Rehearsed(record, len(session.drives), self._groups)
        found.pacing = self._pacing.pacing()
        found.fired = [self._fired(trial) for trial in trials if trial.fired_at is not None]
        found.delays = _output_delays(session.drives, session.last_number)
        found.missing = self.missing()
        found.against = list(found.missing)
        self._judge_trials(trials, found)
        _judge_pacing(found)
        _judge_delays(self._study, found)
        hellos = [drive.log.hello for drive in session.drives if drive.log.hello is not None]
        found.channel_maps = tuple(dict.fromkeys(one for hello in hellos for one in hello.channel_maps))
        found.perceived = session.operator.day.in_the_seat
        found.against += _not_perceived(self._study, found)
        if session.bad and session.last_refusal is not None:
            found.against.append(f"{session.bad} messages broke the feed's schema: {session.last_refusal.why}.")
        for one in session.sources.logs:
            name = one.name_as_of(session.last_number)
            if not one.runs:
                found.against.append(f"{name} has not been heard.")
            if one.bad and one.last_refusal is not None:
                found.against.append(f"{one.bad} messages of {name} broke the feed's schema: {one.last_refusal.why}.")
        return found

    def missing(self) -> list[str]:
        """What of the study has not fired yet, a sentence each."""
        trials = self.session.trials()
        sentences = []
        for trigger in self._study.triggers:
            of_it = [trial for trial in trials if trial.trigger == trigger.name]
            if not any(trial.fired_at is not None for trial in of_it):
                results: list[str] = list(dict.fromkeys(trial.timing.result for trial in of_it)) or [
                    "no drive was to fire it"
                ]
                sentences.append(f"The trigger {trigger.name} did not fire ({', '.join(results)}).")
        sentences += self._missing_alerts(trials)
        for trigger in self._study.triggers:
            rule = trigger.task
            started = {
                marker.name
                for drive in self.session.drives
                for marker in drive.log.known_markers(self.session.last_number)
                if marker.kind == "task_start"
            }
            if rule is not None and not (rule.name in started if rule.name else started):
                sentences.append(f"The task {rule.name or 'of ' + trigger.name} was never begun.")
        return sentences

    def _missing_alerts(self, trials: tuple[Trial, ...]) -> list[str]:
        given = {modality for trial in trials for modality in trial.alert.given}
        if not any(trigger.alert for trigger in self._study.triggers):
            return []
        sentences = []
        for name in self._groups:
            lacking = [modality for modality in self._study.modalities_of(name) if modality not in given]
            if lacking:
                sentences.append(f"The alert of the group {name} was not given ({', '.join(lacking)}).")
        return sentences

    def _fired(self, trial: Trial) -> Fired:
        assert trial.fired_at is not None
        gap_m, time_gap_s = self._gaps.get(trial.id, (None, None))
        after_s = None if trial.alert.at is None else trial.alert.at - trial.fired_at
        return Fired(
            trial.trigger,
            trial.id,
            trial.fired_at,
            trial.timing.result,
            trial.timing.delay_s,
            gap_m,
            time_gap_s,
            trial.alert.given,
            after_s,
            tuple((one.name, one.result) for one in trial.conditions),
            _task_item_s(self.session.drives[trial.drive - 1], trial.fired_at, self.session.last_number),
        )

    def _judge_trials(self, trials: tuple[Trial, ...], found: Rehearsed) -> None:
        triggers = {trigger.name: trigger for trigger in self._study.triggers}
        for trial in trials:
            trigger = triggers[trial.trigger]
            if trial.fired_at is None:
                if trigger.comes_often and trial.timing.result == "missed":
                    found.against += [f"{trial.id}: {one.sentence}" for one in trial.findings if one.severity != "note"]
                continue
            for finding in trial.findings:
                if finding.code in NOT_THE_SIMULATOR:
                    continue
                note = finding.severity == "note" and finding.code != "source-unheard"
                note = note or finding.code in BY_THE_DRIVER
                (found.look_at if note else found.against).append(f"{trial.id}: {finding.sentence}")
            rules = {condition.name: condition for condition in trigger.conditions}
            for one in trial.conditions:
                if not one.required or one.result == "met" or one.name not in rules:
                    continue
                shown = one.state or ("" if one.value is None else f"{one.value:.3g} {one.unit}".rstrip())
                sentence = f"{trial.id}: the condition {one.name} was {one.result} ({shown})."
                scripted = one.result == "undecided" or _is_scripted(rules[one.name], self._study)
                (found.against if scripted else found.look_at).append(sentence)


def _task_item_s(drive: DriveTrials, fired_at: float, number: int) -> float | None:
    """Median time between neighbouring items of a task about a fire; None with fewer than two."""
    items = sorted(
        marker.t
        for marker in drive.log.known_markers(number)
        if marker.kind == "task_item" and abs(marker.t - fired_at) <= TASK_ABOUT_S
    )
    return float(np.median(np.diff(items))) if len(items) > 1 else None


def judge_rehearsal(record: Path, study: Study, groups: tuple[str, ...]) -> Rehearsed:
    """What a record of a rehearsal shows. `groups`: those whose alerts must have been given."""
    reading = RecordReading(record)
    watch = RehearsalWatch(study, Session(study, reading.opening), groups)
    for entries in reading.blocks():
        watch.take(entries)
    return watch.rehearsed(str(record))


def _is_scripted(condition: Condition, study: Study) -> bool:
    """Whether a condition is of what the simulator does: the vehicles of the scene, or a scripted signal."""
    if condition.measure.kind in ("pair", "role"):
        return True
    signal = study.signals.get(condition.measure.name)
    return condition.measure.kind == "signal" and signal is not None and signal.source != "driver"


def _gap_at(drive: DriveTrials, fired_at: float) -> tuple[float | None, float | None] | None:
    """Gap and time gap to the lead at the frame at or before a fire; None where that frame has not come yet."""
    if not drive.log.blocks or drive.log.newest_t < fired_at:
        return None
    for block in reversed(drive.log.blocks):
        index = int(np.searchsorted(block.frames.t, fired_at + 1e-9, side="right")) - 1
        if index >= 0:
            values = [float(block.lead[name].value[index]) for name in ("distance_gap", "time_gap")]
            gap_m, time_gap_s = (one if np.isfinite(one) else None for one in values)
            return gap_m, time_gap_s
    return None, None


def _output_delays(drives: list[DriveTrials], number: int) -> list[OutputDelay]:
    """From each command of an alert to the sensor that saw it, by modality."""
    delays: dict[str, list[float]] = {}
    for drive in drives:
        known = drive.log.known_markers(number)
        alerts = sorted((one for one in known if one.kind == "alert_on"), key=lambda one: one.t)
        commands = [one for one in alerts if one.data.get("measured") is not True]
        for seen in (one for one in alerts if one.data.get("measured") is True):
            for modality in _modalities(seen.data):
                before = [one.t for one in commands if modality in _modalities(one.data) and one.t <= seen.t]
                if before and seen.t - before[-1] <= DELAY_AT_MOST_S:
                    delays.setdefault(modality, []).append(seen.t - before[-1])
    return [OutputDelay(name, len(one), median(one), min(one), max(one)) for name, one in sorted(delays.items())]


def _modalities(data: dict[str, Any]) -> tuple[str, ...]:
    modality = data.get("modality")
    return (modality,) if isinstance(modality, str) else tuple(modality or ())


def _judge_pacing(found: Rehearsed) -> None:
    pacing = found.pacing
    if pacing is None or pacing.rate_hz is None:
        found.against.append("Too few frames came for the pacing to be judged.")
        return
    if pacing.stated_hz is not None and abs(pacing.rate_hz / pacing.stated_hz - 1.0) > RATE_OFF:
        found.against.append(f"The simulator says {pacing.stated_hz:g} Hz and makes {pacing.rate_hz:.2f} Hz.")
    if pacing.overruns:
        found.against.append(
            f"{pacing.overruns} frames overran: the longest step was {1000 * (pacing.longest_step_s or 0):.1f} ms."
        )
    if pacing.real_time is not None and is_off_pace(pacing.real_time):
        found.against.append(f"Simulated time ran at {pacing.real_time:.2f} times real time.")
    if pacing.lost > 0.001 * pacing.frames:
        found.against.append(f"{pacing.lost} of {pacing.frames} frames did not arrive here.")
    elif pacing.lost:
        found.look_at.append(f"{pacing.lost} of {pacing.frames} frames did not arrive here.")


def _not_perceived(study: Study, found: Rehearsed) -> Iterator[str]:
    """What the study wants perceived in the seat and was not: an amplifier that is turned down passes all else."""
    rule = study.day.rehearsal
    answers = {one.name: one for one in found.perceived}
    for one in rule.perceived if rule is not None else ():
        answer = answers.get(one.name)
        if answer is None:
            yield f"Nobody in the seat said whether {one.name} was perceived."
        elif answer.answer == "no":
            yield f"{one.name} was not perceived in the seat, says {answer.by}."
        elif one.expected is not None and answer.answer != one.expected:
            yield f"{one.name} was {answer.answer} in the seat and not {one.expected}, says {answer.by}."


def _judge_delays(study: Study, found: Rehearsed) -> None:
    """Measured output delays against those that the study adds to a command."""
    rules = [trigger.alert for trigger in study.triggers if trigger.alert]
    stated = {name: delay_s for rule in rules for name, delay_s in rule.output_delay_s.items()}
    for delay in found.delays:
        if delay.modality in stated and abs(delay.median_s - stated[delay.modality]) > 0.02:
            found.look_at.append(
                f"The output delay of {delay.modality} is {1000 * delay.median_s:.0f} ms, and the study file says "
                f"{1000 * stated[delay.modality]:.0f} ms."
            )

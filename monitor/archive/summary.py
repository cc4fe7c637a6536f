"""What the tally and the comparison need of one record: its trials in short, as plain values that a cache can hold."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.archive.review import Reviewed, review_record
from monitor.judging.case.trial import Trial
from monitor.judging.document import response_json
from monitor.judging.entered.rulings import contradicted
from monitor.record.reader import RecordFiles, began_wall
from monitor.study.model import AnalysisRule, Study, Trigger

NO_GROUP = "(not known)"
CONFIRMED = "confirmed"
"""Reason of a ruling that adds none of its own to what was computed."""


@dataclass(frozen=True, slots=True)
class TriggerSummary:
    """A trigger of a study, as far as reports need it."""

    name: str
    surprise_class: str | None
    """None: it surprises nobody."""
    has_alert: bool
    origin: str | None
    """Origin of the response time; None where the study times none."""
    horizon_s: float | None
    response_sha256: str | None = None
    """Digest of all by which the response is timed: origin and what shows it, horizon, thresholds, signs."""
    valid_at_least: int = 1
    """Where `planned` counts participants: one counts with this many valid trials."""


@dataclass(frozen=True, slots=True)
class StudySummary:
    """A study, as far as reports need it."""

    name: str
    title: str
    sha256: str
    blind: bool
    participant_pattern: str
    replacement: str
    planned: dict[str, int | None]
    """Group → planned valid trials, in the study file's order."""
    alerts: dict[str, list[str]]
    triggers: tuple[TriggerSummary, ...]
    analysis: AnalysisRule | None
    """How the groups are to be compared, where the study fixes it."""
    treatments: dict[str, int | None] = field(default_factory=dict)
    """Treatment → planned, in a study within participants."""
    planned_counts: str = "trials"
    """What `planned` counts: "trials" or "participants"."""
    lot_waits: bool = False
    """Whether a lot is opened only after steps of the run sheet."""


@dataclass(frozen=True, slots=True)
class MissedBand:
    """A required condition that was not met: by how much, and whether the trial would count otherwise."""

    condition: str
    unit: str
    at_least: float | None
    at_most: float | None
    value: float | None
    short_by: float | None
    """How far beyond the band and its tolerance, in the unit; None where no number decided."""
    alone: bool
    """Whether the trial would be valid if this condition had been met."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What a required condition's value was held against, in short."""

    condition: str
    unit: str
    by_others: bool
    """Whether any other channel tells it."""
    noticed_from: float | None
    """The least error that would have shown on this feed; None where it cannot be told."""


@dataclass(frozen=True, slots=True)
class TrialSummary:
    """One trial."""

    id: str
    trigger: str
    verdict: str
    effective: str
    ruled: bool
    final: bool
    """Whether it was seen to its end."""
    naive: str
    reasons: tuple[str, ...]
    """Why it is not valid: the ruling's code, else conditions and findings; empty for a valid one."""
    response: dict[str, Any] | None
    """The response in full; None also where it is hidden."""
    hidden: bool
    contact_s: float | None
    """Contact in seconds from the response's origin, where there was one and it may be told."""
    watched_s: float | None = None
    """How long a response was watched for, from its origin; None where it may not be told."""
    not_watched: tuple[str, ...] = ()
    """Pedals and wheel of which it is not known that there was no onset."""
    withheld: bool = False
    """Whether it fired, told or untold, and its response is hidden, so that it is not in here: no summary on a disk
    ever has it."""
    seen_looks: bool | None = None
    """Whether the ruling in force was made after a look at responses by group; None where that was not recorded, or
    there is no ruling."""
    contradicted: bool = False
    """Whether its rulings say different things."""
    missed: tuple[MissedBand, ...] = ()
    alert_delay_s: float | None = None
    """From the fire to the alert, whatever the driver did."""
    fire_delay_s: float | None = None
    """Of the marker after the trigger's own rule held; None where the study states no rule, or the times are hidden."""
    checked: tuple[Checked, ...] = ()
    treatment: str | None = None


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One record."""

    record: str
    record_id: str
    """Random, and says nothing of the participant: what is written outside the record names it by this."""
    participant: str
    group: str
    stratum: str | None
    state: str
    digest: str
    began: float
    """Wall clock of the recorder at the record's first entry, seconds since 1970."""
    damage: tuple[str, ...]
    drives: int
    blind: bool
    """Whether the record is blind, whatever the file says by which it is judged."""
    by_other_file: bool
    """Whether another study file judged than the one that the record was opened with."""
    frames: int | None
    """None while a response is hidden: it tells how long a drive took."""
    lost: int
    """Frames that did not arrive."""
    study: StudySummary
    trials: tuple[TrialSummary, ...]
    before_lot: bool = False
    """Whether it was before a lot, in a study in which that waits: a welcome, a screening, a practice drive."""

    @property
    def withholds(self) -> int:
        """How many of its trials have a response that is hidden."""
        return sum(trial.withheld for trial in self.trials)

    def as_json(self) -> dict[str, Any]:
        """Plain values, for `run_from_json`."""
        return asdict(self)


def summarise_record(path: Path, study: Study | None = None) -> RunSummary:
    """Judges a record and keeps what reports need; raises `RecordUnreadable` and `StudyFaults`."""
    return summarise(review_record(path, study))


def summarise(reviewed: Reviewed, *, unblinded: bool = False) -> RunSummary:
    """The summary of a judged record. `unblinded`: with hidden responses, for who has entered that he looks; it must
    not go to any disk."""
    session, path = reviewed.session, reviewed.path
    trials = session.trials(unblinded=unblinded)
    counts = [drive.log.counts for drive in session.drives]
    return RunSummary(
        record=path.name,
        record_id=RecordFiles(path).record_id,
        participant=session.opening.participant,
        group=session.group or NO_GROUP,
        stratum=session.opening.stratum,
        state=reviewed.state,
        digest=reviewed.digest,
        began=began_wall(path),
        damage=reviewed.damage,
        drives=len(session.drives),
        blind=session.blind,
        by_other_file=session.study.text != session.opening.study_text,
        frames=None if any(trial.withheld for trial in trials) else sum(one.frames for one in counts),
        lost=sum(one.lost for one in counts),
        study=summarise_study(session.study),
        trials=tuple(_trial(trial) for trial in trials),
        before_lot=session.study.lot_waits and session.opening.group is None and not trials,
    )


def summarise_study(study: Study) -> StudySummary:
    """The study in short."""
    return StudySummary(
        name=study.name,
        title=study.title,
        sha256=study.sha256,
        blind=study.blind,
        participant_pattern=study.participant_pattern,
        replacement=study.replacement,
        planned={name: group.planned for name, group in study.groups.items()},
        alerts={name: list(group.alert) for name, group in study.groups.items()},
        triggers=tuple(_trigger(trigger) for trigger in study.triggers),
        analysis=study.analysis,
        treatments={name: treatment.planned for name, treatment in study.treatments.items()},
        planned_counts=study.planned_counts,
        lot_waits=study.lot_waits,
    )


def run_from_json(read: dict[str, Any]) -> RunSummary:
    """The summary that `as_json` wrote; raises `KeyError`, `TypeError` or `ValueError` for anything else."""
    study = _exactly(StudySummary, read["study"])
    study["triggers"] = tuple(TriggerSummary(**_exactly(TriggerSummary, one)) for one in study["triggers"])
    if study["analysis"] is not None:
        rule = _exactly(AnalysisRule, study["analysis"])
        study["analysis"] = AnalysisRule(**{**rule, "contrasts": tuple((a, b) for a, b in rule["contrasts"])})
    run = _exactly(RunSummary, read)
    run["study"] = StudySummary(**study)
    run["damage"] = tuple(run["damage"])
    run["trials"] = tuple(_trial_from_json(one) for one in run["trials"])
    return RunSummary(**run)


def _trial_from_json(read: dict[str, Any]) -> TrialSummary:
    trial = _exactly(TrialSummary, read)
    missed = tuple(MissedBand(**_exactly(MissedBand, one)) for one in trial["missed"])
    checked = tuple(Checked(**_exactly(Checked, one)) for one in trial["checked"])
    tuples = {name: tuple(trial[name]) for name in ("reasons", "not_watched")}
    return TrialSummary(**{**trial, **tuples, "missed": missed, "checked": checked})


def day_of(run: RunSummary) -> str:
    """The day of a run as yyyy-mm-dd, by this machine's time zone; empty where it is not known."""
    return local_day(run.began) if run.began else ""


def local_day(wall: float) -> str:
    """The day of a UNIX time as yyyy-mm-dd, by this machine's time zone."""
    return datetime.fromtimestamp(wall, UTC).astimezone().strftime("%Y-%m-%d")


def _trigger(trigger: Trigger) -> TriggerSummary:
    rule = trigger.response
    return TriggerSummary(
        name=trigger.name,
        surprise_class=trigger.surprise_class,
        has_alert=trigger.alert is not None,
        origin=rule.origin if rule else None,
        horizon_s=rule.horizon_s if rule else None,
        response_sha256=hashlib.sha256(repr((rule, trigger.hazard)).encode()).hexdigest() if rule else None,
        valid_at_least=trigger.valid_at_least,
    )


def _trial(trial: Trial) -> TrialSummary:
    response = trial.response
    return TrialSummary(
        id=trial.id,
        trigger=trial.trigger,
        verdict=trial.verdict,
        effective=trial.effective,
        ruled=bool(trial.rulings),
        seen_looks=_seen_looks(trial),
        contradicted=contradicted(trial),
        final=trial.stage in ("final", "ruled"),
        naive=trial.naive,
        reasons=tuple(reasons_of(trial)),
        response=response_json(response) if response else None,
        hidden=trial.response_hidden,
        withheld=trial.withheld,
        contact_s=None if response is None else response.contact_s,
        watched_s=None if response is None else response.watched_s,
        not_watched=() if response is None else response.not_watched,
        missed=tuple(_missed(trial)),
        alert_delay_s=None
        if trial.alert.at is None or trial.fired_at is None
        else round(trial.alert.at - trial.fired_at, 6),
        fire_delay_s=None
        if trial.timing.delay_s is None or trial.told_fired_at is None
        else round(trial.timing.delay_s, 6),
        treatment=trial.treatment,
        checked=tuple(
            Checked(one.name, one.unit, bool(one.evidence.by), one.evidence.noticed_from)
            for one in trial.conditions
            if one.required and one.evidence is not None
        ),
    )


def _seen_looks(trial: Trial) -> bool | None:
    seen = trial.ruling.seen if trial.ruling else None
    return None if seen is None or seen.looks is None else seen.looks > 0


def _missed(trial: Trial) -> Iterator[MissedBand]:
    """The required conditions that were not met, of a trial that was judged invalid."""
    if trial.effective != "invalid" or trial.verdict != "invalid":
        return
    against = [one.name for one in trial.conditions if one.required and one.result != "met"]
    against += [one.code for one in trial.findings if one.severity in ("void", "doubtful")]
    if trial.ruling is not None and trial.ruling.reason not in ("", CONFIRMED):
        against.append(trial.ruling.reason)
    for one in trial.conditions:
        if one.required and one.result == "not met":
            short_by = None if one.margin is None or one.margin >= 0.0 else max(-one.margin - one.tolerance, 0.0)
            alone = len(against) == 1 and trial.stage in ("final", "ruled")
            yield MissedBand(one.name, one.unit, one.at_least, one.at_most, one.value, short_by, alone)


def reasons_of(trial: Trial) -> list[str]:
    """Why a trial is not valid: the ruling's reason where the ruling made it so; else the required conditions and the
    findings that did, in the study's order."""
    if trial.effective == "valid":
        return []
    if trial.ruling is not None and trial.ruling.verdict != trial.verdict:
        return [trial.ruling.reason or "ruled"]
    invalid = trial.effective == "invalid"
    wanted, weight = ("not met", "void") if invalid else ("undecided", "doubtful")
    conditions = [f"{one.name}: {wanted}" for one in trial.conditions if one.required and one.result == wanted]
    codes = list(dict.fromkeys(one.code for one in trial.findings if one.severity == weight))
    # conditions are undecided because of a finding, where there is one; but they are not met by themselves
    found = [*conditions, *codes] if invalid else codes or conditions
    if not found and trial.timing.result in ("missed", "not reached"):
        found.append(f"trigger {trial.timing.result}")
    if not found and trial.ruling is not None:
        found.append(trial.ruling.reason or "ruled")
    return found or ["not seen to its end"]


def _exactly(kind: type, read: dict[str, Any]) -> dict[str, Any]:
    """The fields of a dataclass from a map that has just these."""
    if set(read) != {field.name for field in fields(kind)}:
        raise ValueError(f"another set of fields than {kind.__name__} has")
    return dict(read)

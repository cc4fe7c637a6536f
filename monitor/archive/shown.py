"""Trials judged otherwise than they were shown when the record was made: what a new version, or a mended rule, changes.

The writing screen enters what the operator was shown of each trial, and by which program stands in the opening. Where a
verdict was shown as final, that is compared; of a trial shown only while its windows were still open, "invalid", which
was certain already. What nobody was shown is counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from monitor.archive.record_pass import RecordPass, Step
from monitor.archive.summary import reasons_of
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.addendum import read_addendum
from monitor.record.entries import unpack_map
from monitor.study.model import Study

CERTAIN_STAGES = ("final", "ruled")


@dataclass(frozen=True, slots=True)
class Changed:
    """A trial that was shown with another verdict than it has now. None for `now`: there is no such trial any more."""

    trial: str
    shown: str
    now: str | None
    why: tuple[str, ...]
    """What makes it so now: conditions and findings."""
    ruled: str | None
    """The operator's verdict, where there is a ruling: that is what counts."""

    def sentence(self, program: str) -> str:
        """For people, such as "shown then, program 0.1.0: valid; judged now: undecided, channels-disagree"."""
        now = "there is no such trial" if self.now is None else ", ".join((self.now, *self.why))
        ruled = f"; ruled {self.ruled}, which stands" if self.ruled is not None else ""
        return f"{self.trial}: shown then, program {program}: {self.shown}; judged now: {now}{ruled}"


@dataclass(frozen=True, slots=True)
class Compared:
    """A record's trials, judged now, beside what was shown of them."""

    program: str
    """The version that showed them."""
    trials: int
    not_shown: tuple[str, ...]
    """Trials of which no final verdict was ever shown."""
    changed: tuple[Changed, ...]
    damage: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


def compare_with_shown(path: Path, study: Study | None = None, *, keep: bool = False, write: bool = True) -> Compared:
    """Judges a record and holds the verdicts against those shown. Raises `RecordUnreadable` and `StudyFaults`."""
    shown: dict[str, str] = {}

    def follow(session: Session) -> Callable[[Step], None]:
        shown.clear()

        def took(step: Step) -> None:
            for entry in step.operator:
                _note_shown(shown, unpack_map(entry.payload))

        return took

    record_pass = RecordPass(path, study, keep=keep, write=write)
    passed = record_pass.run(follow)
    for fields in read_addendum(path):
        passed.session.take_addendum(fields)
    trials = {trial.id: trial for trial in passed.session.trials()}
    changed = [
        Changed(name, verdict, *_now(trials.get(name)))
        for name, verdict in shown.items()
        if name not in trials or trials[name].verdict != verdict
    ]
    return Compared(
        program=str(record_pass.opening.versions.get("trialwitness", "not known")),
        trials=len(trials),
        not_shown=tuple(name for name in trials if name not in shown),
        changed=tuple(changed),
        damage=passed.damage,
    )


def _note_shown(shown: dict[str, str], fields: dict[str, Any]) -> None:
    trial, verdict = fields.get("trial"), fields.get("verdict")
    if fields.get("type") != "shown" or not isinstance(trial, str) or not isinstance(verdict, str):
        return
    if fields.get("stage") in CERTAIN_STAGES or verdict == "invalid":
        shown[trial] = verdict


def _now(trial: Trial | None) -> tuple[str | None, tuple[str, ...], str | None]:
    if trial is None:
        return None, (), None
    ruled = trial.ruling.verdict if trial.ruling is not None else None
    return trial.verdict, tuple(reasons_of(replace(trial, rulings=()))), ruled

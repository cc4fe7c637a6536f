"""Many records in, their answers out in order: told how far it is, kept, and taken up again after a stop."""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import Any

from monitor.archive.engine.addresses import Known, RecordAt, look_at, participant_of, which_of
from monitor.archive.engine.cluster import on_cluster, refuse_untrusted
from monitor.archive.engine.keeping import KeptAnswers
from monitor.archive.engine.processes import in_processes
from monitor.archive.engine.unit import CODE, Outcome, Task, Unit, do_unit, restored
from monitor.errors import WitnessError


@dataclass(frozen=True, slots=True)
class Progress:
    """How far it is. `rate`: records a second since the beginning, those that were kept before not counted."""

    done: int
    of: int
    failed: int
    rate: float
    left_s: float | None

    def sentence(self, what: str) -> str:
        """For people, on one line."""
        parts = [f"{what}: {self.done} of {self.of}"]
        if self.failed:
            parts.append(f"{self.failed} failed")
        if self.rate > 0.0:
            parts.append(f"{self.rate:.1f} a second")
        if self.left_s is not None and self.done < self.of:
            parts.append(f"{_clock(self.left_s)} left")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class How:
    """Where the work is done, and who is told. `scheduler` is an address of a dask scheduler, `keep` a directory for
    the answers."""

    jobs: int = 1
    scheduler: str | None = None
    plain_network: bool = False
    keep: Path | None = None
    progress: Callable[[Progress], None] | None = None


IN_THIS_PROCESS = How()


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of one record: `value` as the work gave it, or in one sentence why there is none."""

    record: RecordAt
    value: Any = None
    fault: str = ""
    status: int = 0
    """The exit status that goes with the fault."""


def answers(records: Sequence[RecordAt], task: Task, how: How = IN_THIS_PROCESS) -> Iterator[Answer]:
    """The answers in the order of the records. Raises `WitnessError` only for what ends all of it: a scheduler that
    cannot be reached, a directory for answers that cannot be written."""
    if how.scheduler is not None:
        refuse_untrusted(how.scheduler, plain=how.plain_network)
    kept = KeptAnswers(how.keep, task) if how.keep is not None and not task.reveals else None
    asking = _Asking(records, task, kept)
    telling = _Telling(len(records), how.progress)
    waiting: dict[int, Answer] = {}
    next_one = 0
    for number, answer in asking.answers(how):
        waiting[number] = answer
        telling.told(answer, was_kept=number in asking.was_kept)
        while next_one in waiting:
            yield waiting.pop(next_one)
            next_one += 1


class _Asking:
    def __init__(self, records: Sequence[RecordAt], task: Task, kept: KeptAnswers | None) -> None:
        self._records, self._task, self._kept = records, task, kept
        self._salt = secrets.token_hex(16)
        self._known: dict[int, Known] = {}
        self._ready: list[tuple[int, Answer]] = []
        self.was_kept: set[int] = set()

    def answers(self, how: How) -> Iterator[tuple[int, Answer]]:
        """By the records' numbers, as they come."""
        units = self._units(write=how.scheduler is None)
        if how.scheduler is not None:
            outcomes = on_cluster(units, how.scheduler, plain=how.plain_network)
        elif how.jobs > 1 and len(self._records) > 1:
            outcomes = in_processes(units, min(how.jobs, len(self._records)))
        else:
            outcomes = ((number, do_unit(unit)) for number, unit in units)
        for number, outcome in outcomes:
            yield from self._given_off()
            yield number, self._answer(number, outcome)
        yield from self._given_off()

    def _given_off(self) -> Iterator[tuple[int, Answer]]:
        ready, self._ready = self._ready, []
        yield from ready

    def _units(self, *, write: bool) -> Iterator[tuple[int, Unit]]:
        """What has to be asked; what is known without asking goes to `_ready`."""
        task = self._task
        study = None if task.study is None else (task.study.text, "the study file")
        options = json.dumps(task.options or {}, sort_keys=True)
        for number, record in enumerate(self._records):
            try:
                known = look_at(record)
            except (WitnessError, OSError) as error:
                status = error.exit_code if isinstance(error, WitnessError) else 2
                self._ready.append((number, Answer(record, None, " ".join(str(error).split()), status)))
                continue
            text = self._kept.of(known) if self._kept is not None else None
            if text is not None:
                self.was_kept.add(number)
                self._ready.append((number, Answer(record, json.loads(text))))
                continue
            self._known[number] = known
            which = which_of(self._salt, record.name)
            unit = Unit(task.work, record.folder, self._salt, which, known.digest, task.program, study, options, write)
            yield number, unit

    def _answer(self, number: int, outcome: Outcome) -> Answer:
        record, known = self._records[number], self._known.pop(number)
        if outcome.kind == "refused":
            return Answer(record, None, f"{record.label}: {outcome.text}", 2)
        try:
            text = restored(outcome.text, record.label, record.name, self._code_of(record, outcome))
        except (WitnessError, OSError) as error:  # it was there when it was looked at, and is no longer
            return Answer(record, None, " ".join(str(error).split()), 2)
        if outcome.kind == "fault":
            sentence = str(json.loads(text))
            said = sentence if record.label in sentence else f"{record.label}: {sentence}"
            return Answer(record, None, said, outcome.status)
        if self._kept is not None:
            self._kept.keep(known, text)
        return Answer(record, json.loads(text))

    def _code_of(self, record: RecordAt, outcome: Outcome) -> str:
        """The participant's code, which did not cross over: a record is named after it, unless somebody renamed it."""
        by_name = record.name.rsplit("-", 2)[0]
        if CODE not in outcome.text or which_of(self._salt, by_name) == outcome.code:
            return by_name
        return participant_of(record)


class _Telling:
    def __init__(self, of: int, progress: Callable[[Progress], None] | None) -> None:
        self._of, self._progress = of, progress
        self._began_s = monotonic()
        self._done = self._failed = self._kept = 0

    def told(self, answer: Answer, *, was_kept: bool) -> None:
        self._done += 1
        self._failed += bool(answer.fault)
        self._kept += was_kept
        if self._progress is None:
            return
        passed_s = monotonic() - self._began_s
        rate = (self._done - self._kept) / passed_s if passed_s > 0.0 else 0.0
        left_s = (self._of - self._done) / rate if rate > 0.0 else None
        self._progress(Progress(self._done, self._of, self._failed, rate, left_s))


def cores() -> int:
    """As many processes as this one may use cores."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s" if minutes else f"{rest} s"

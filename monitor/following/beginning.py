"""Beginning a run: its record, its recorder, and what the participant met before."""

from __future__ import annotations

import platform
import re
import secrets
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.archive.earlier import Earlier, earlier_of
from monitor.archive.rehearsals import NewestRehearsal, newest_rehearsal
from monitor.errors import RecorderLost, WitnessError
from monitor.following.live import Following
from monitor.following.status_stream import StatusStream, WriterWatch
from monitor.judging.case.pacing import NOBODY_DRIVES
from monitor.judging.day.log import rehearsed_from_map
from monitor.named_files import make_directory
from monitor.record.disk import is_being_written
from monitor.record.entries import Opening
from monitor.recorder.client import RecorderClient
from monitor.recorder.launch import start_again, start_recorder
from monitor.recorder.plan import RecorderPlan
from monitor.recorder.running import find_running, make_sockets_directory, read_announcement
from monitor.study.model import Study
from monitor.study.standing import Standing

NOTE_WITHIN_S = 10.0
"""A note that begins a run is waited for so long."""


@dataclass(frozen=True, slots=True)
class Run:
    """A run that is being recorded."""

    plan: RecorderPlan
    found_before: tuple[dict[str, Any], ...] = ()
    """What was found before it began, for entries at its start; none where the study does not ask."""

    @property
    def record(self) -> Path:
        """The record's directory."""
        return Path(self.plan.record)

    @property
    def is_recorded(self) -> bool:
        """Whether a recorder holds the record at this moment."""
        return is_being_written(self.record)

    def start_again(self) -> None:
        """Starts the recorder again on the same record, in a new part."""
        start_again(self.plan)

    def follow(self, by: str, *, read_only: bool = False, announce: str | None = None) -> Callable[[], Following]:
        """How a follower of this run is made, in the thread that will use it. One that only looks on never starts a
        recorder. `announce`: an endpoint at which faults and trials that wait are told."""

        def make() -> Following:
            sockets = Path(self.plan.sockets)
            status = WriterWatch(sockets) if read_only else StatusStream(sockets, by, announce)
            client = RecorderClient(sockets, self.record, writer=not read_only)
            restart = None if read_only else self.start_again
            return Following(client, self.record, by=by, restart=restart, status=status)

        return make


def find_run(records: Path, name: str | None, *, read_only: bool = False) -> Run:
    """The run to attach to in a directory of records: the one named by its record or by its participant's code, else
    the only one that is being recorded.

    A named run whose recorder has died is taken too, unless it was closed: its recorder is started again, but not by
    who only looks on. Raises `WitnessError` where there is none, or more than one.
    """
    announced = read_announcement(records / name) if name is not None else None
    if announced is not None:
        run = Run(announced.plan)
        if not run.is_recorded and read_only:
            raise WitnessError(
                f"The recorder of {run.record} has died, and who only looks on starts none; whoever writes comes back "
                f"with: trialwitness attach {run.record}"
            )
        if not run.is_recorded:
            run.start_again()
        return run
    running = find_running(records) if records.is_dir() else []
    if name is not None:  # a participant's code
        running = [one for one in running if one.record.name.startswith(f"{name}-")]
    if not running and name is not None:
        raise WitnessError(
            f"{records / name} has no recorder and can be given none, and no run of a participant {name} is being "
            "recorded here; see a closed record with: trialwitness replay"
        )
    if not running:
        raise WitnessError(f"No recorder is running in {records}; begin a run with: trialwitness watch")
    if len(running) > 1:
        names = ", ".join(one.record.name for one in running)
        raise WitnessError(f"Several recorders are running in {records}; say which: {names}")
    return Run(running[0].plan)


@dataclass(frozen=True, slots=True)
class Driving:
    """Who drives a new run, and by what the group was given."""

    participant: str
    group: str | None
    stratum: str | None = None
    standing: Standing | None = None
    lot: dict[str, Any] | None = None
    is_new: bool = False
    """Whether nothing is looked up of what they met before: the demo's participant, and staff."""


@dataclass(frozen=True, slots=True)
class Listening:
    """What a new run listens to."""

    endpoints: tuple[str, ...]
    """The simulator's, then those of further sources."""
    own_secret_key: str | None = None
    server_public_key: str | None = None
    pace: float = 1.0
    """Times real time at which the simulator is meant to run."""


def begin_run(study: Study, who: Driving, to: Listening, records: Path, *, second: Path | None = None) -> Run:
    """Starts the recorder of a new run. Raises `WitnessError` for a participant or group that the study does not have,
    and where no record can be written."""
    check_participant(study, who.participant, who.group)
    records = records.resolve()
    try:
        make_directory(records)
    except OSError as error:
        raise WitnessError(
            f"{records}: records cannot be written there ({error.strerror}); choose another directory."
        ) from error
    earlier = Earlier() if who.is_new else earlier_of(records, who.participant)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    plan = RecorderPlan(
        record=str(records / f"{who.participant}-{stamp}-{secrets.token_hex(2)}.run"),
        feeds=to.endpoints,
        sockets=str(make_sockets_directory()),
        opening=Opening(
            participant=who.participant,
            group=who.group,
            study_name=study.name,
            study_text=study.text,
            study_sha256=study.sha256,
            feeds=to.endpoints,
            versions={"trialwitness": __version__, "python": platform.python_version()},
            exposures=earlier.exposures,
            exposures_known=earlier.known,
            stratum=who.stratum,
            standing=who.standing.as_map() if who.standing else None,
            lot=who.lot,
            pace=to.pace if to.pace < NOBODY_DRIVES else None,
        ),
        second=str(second.resolve()) if second else None,
        own_secret_key=to.own_secret_key,
        server_public_key=to.server_public_key,
    )
    start_recorder(plan)
    return Run(plan, _found_before(study, records, earlier))


def _found_before(study: Study, records: Path, earlier: Earlier) -> tuple[dict[str, Any], ...]:
    """What the study's sections want in the record from its start: this morning's rehearsal, the earlier runs."""
    found: list[dict[str, Any]] = []
    newest = newest_rehearsal(records, study.name) if study.day.rehearsal is not None else NewestRehearsal()
    if newest.page is not None or newest.unreadable:
        rehearsed = None if newest.page is None else rehearsed_from_map(newest.page)
        lost = [*newest.unreadable, *([] if rehearsed or newest.page is None else [f"{newest.page['name']}.json"])]
        rehearsal = None if rehearsed is None else rehearsed.as_map()
        found.append({"type": "rehearsed", "rehearsal": rehearsal, **({"unreadable": lost} if lost else {})})
    if study.looks_back:
        found.append({"type": "carried", "runs": list(earlier.runs)})
    return tuple(found)


def enter_at_start(run: Run, by: str, entries: Sequence[dict[str, Any]]) -> None:
    """Enters notes, and what was found before, into a run that has just begun; all of it is on disk on return. Raises
    `RecorderLost` where it is not."""
    if not entries:
        return
    client = RecorderClient(Path(run.plan.sockets), run.record, writer=True)
    try:
        moment = {"drive": None, "at": None, "by": by, "wall": time.time()}
        wanted = {client.send({**moment, **fields}): fields for fields in entries}
        deadline = time.monotonic() + NOTE_WITHIN_S
        while wanted:
            for key in client.acknowledged():
                wanted.pop(key, None)
            if wanted and time.monotonic() > deadline:
                what = ", ".join(str(fields.get("text") or fields["type"]) for fields in wanted.values())
                raise RecorderLost(f"{run.record}: the recorder did not take {what!r}; enter it by hand.")
            client.entries(0.05)
    finally:
        client.close()


def check_participant(study: Study, participant: str, group: str | None) -> None:
    """Raises `WitnessError` for a code that does not fit the study's pattern, or a group that it does not have."""
    if not re.fullmatch(study.participant_pattern, participant):
        raise WitnessError(
            f"The participant code {participant!r} does not fit the study's pattern {study.participant_pattern}; "
            "use the pseudonymous code of the list, never a name."
        )
    if not re.fullmatch(r"[A-Za-z0-9._-]{1,40}", participant):
        raise WitnessError(
            f"The participant code {participant!r} cannot be part of a file name; "
            "use letters, digits, '.', '_' and '-', at most 40 of them."
        )
    if group is not None and group not in study.groups:
        raise WitnessError(f"The study has no group {group!r}; it has {', '.join(study.groups)}.")

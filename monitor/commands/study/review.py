"""`review`: judges records again without a screen, by their own study file or by another one.

With --changes: which trials are judged otherwise than they were shown when they were recorded, and why. That is what a
new version of this program, a mended rule or another study file would change in a study under way.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from monitor.archive.engine.run import Answer
    from monitor.study.model import Study


def add_to(subparsers: Any) -> None:
    from monitor.commands.shared.many_records import add_many_options

    parser = subparsers.add_parser("review", help="judge records again", description=__doc__)
    parser.add_argument(
        "record",
        nargs="+",
        metavar="RECORD",
        help="a record, a directory of records, or an address of sealed ones, such as s3://bucket/records",
    )
    parser.add_argument("--study", metavar="FILE", help="judge by this study file and say what changes")
    parser.add_argument("--changes", action="store_true", help="only what is judged otherwise than it was shown")
    add_many_options(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from monitor.archive.engine.addresses import records_at
    from monitor.archive.engine.run import answers
    from monitor.archive.engine.unit import Task
    from monitor.commands.shared.many_records import how_many
    from monitor.commands.shared.printing import print_json
    from monitor.errors import WitnessError
    from monitor.study.loading import load_study

    study = load_study(options.study) if options.study else None
    records = records_at(options.record)
    work = compare_one if options.changes else review_one
    task = Task(work, study, {"lines": not options.json})
    told = _Told(as_json=options.json)
    for answer in answers(records, task, how_many(options, "judging records")):
        if answer.fault and len(records) == 1:
            error = WitnessError(answer.fault)
            error.exit_code = answer.status
            raise error
        told.answer(answer)
    if options.changes:
        told.changes()
    if options.json:
        print_json(told.documents)
    return told.status


class _Told:
    """What is printed of the answers as they come, and the exit status."""

    def __init__(self, *, as_json: bool) -> None:
        self.status = 0
        self.documents: list[Any] = []
        self._as_json = as_json
        self._changed: list[Any] = []

    def answer(self, answer: Answer) -> None:
        """The next one."""
        from monitor.commands.shared.printing import say

        if answer.fault:
            say(answer.fault)
            self.status = max(self.status, answer.status)
            self.documents.append({"record": answer.record.label, "fault": answer.fault, "trials": [], "notes": []})
            return
        for sentence in answer.value["damage"]:
            say(sentence)
            self.status = max(self.status, 1)
        self.documents.append(answer.value.get("document"))
        self._changed.append(answer.value.get("compared"))
        for line in answer.value.get("lines", ()):
            print(line)

    def changes(self) -> None:
        """How many trials were compared, where that is for people."""
        if self._as_json:
            return
        compared = [one for one in self._changed if one is not None]
        trials = sum(one["trials"] for one in compared)
        changed = sum(len(one["changed"]) for one in compared)
        never = sum(len(one["not_shown"]) for one in compared)
        print(
            f"{len(compared)} records, {trials} trials: {changed} judged otherwise than shown, "
            f"{never} never shown as final"
        )


def review_one(path: Path, study: Study | None, options: Mapping[str, Any]) -> dict[str, Any]:
    """One record for the engine: its document, or its lines for people, and its damage."""
    from monitor.archive.review import review_record
    from monitor.judging.document import session_json
    from monitor.replay.explain.changes import what_changes

    reviewed = review_record(path, study, keep=True, write=options["write"])
    session = reviewed.session
    changes = []
    if study is not None:
        own = review_record(path, keep=True, write=options["write"]).session
        changes = what_changes(own.trials(), session.trials())
    damage = [f"{path}: {sentence}" for sentence in reviewed.damage]
    if options["lines"]:
        return {"damage": damage, "lines": list(_lines(path, reviewed, changes, by_other=study is not None))}
    document = {**session_json(session, str(path)), "damage": list(reviewed.damage)}
    if study is not None:
        document |= {"judged_by": session.study.sha256, "changes": changes}
    return {"damage": damage, "document": document}


def _lines(path: Path, reviewed: Any, changes: list[dict[str, Any]], *, by_other: bool) -> Iterator[str]:
    from monitor.commands.shared.printing import trial_lines
    from monitor.judging.document import real_time_of

    session = reviewed.session
    group, real_time = session.group or "not known", real_time_of(session)
    pace = "" if real_time is None else f", {real_time:.2f} times real time"
    yield f"{path}  participant {session.opening.participant}, group {group}, {reviewed.state}{pace}"
    if session.study.text != session.opening.study_text:
        yield f"  judged by another study file than its own: {session.study.sha256[:8]}{_frozen(path, session)}"
    for trial in session.trials():
        yield from (f"  {line}" for line in trial_lines(trial))
    for one in changes:
        yield f"  CHANGED  {one['trial']}: {one['was']} → {one['now']}; {one['why']}"
    if by_other and not changes:
        yield "  no trial changes"


def compare_one(path: Path, study: Study | None, options: Mapping[str, Any]) -> dict[str, Any]:
    """One record for the engine: what is judged otherwise than it was shown."""
    from monitor.archive.shown import compare_with_shown

    compared = compare_with_shown(path, study, keep=True, write=options["write"])
    damage = [f"{path}: {sentence}" for sentence in compared.damage]
    found = {"damage": damage, "compared": compared.as_json()}
    if options["lines"]:
        return {**found, "lines": [f"{path}  {one.sentence(compared.program)}" for one in compared.changed]}
    return {**found, "document": {"record": str(path), **compared.as_json()}}


def _frozen(path: Any, session: Any) -> str:
    """That another file was frozen for this study, where one was."""
    from monitor.archive.looks import frozen

    kept = frozen(path.resolve().parent, session.study.name)
    if kept is None or kept.sha256 == session.study.sha256:
        return ""
    return f"; {kept.sha256[:8]} was frozen on {kept.when[:10]}"

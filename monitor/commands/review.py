"""`review`: judges records again without a screen, by their own study file or by another one."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("review", help="judge records again", description=__doc__)
    parser.add_argument("record", nargs="+", metavar="RECORD", help="a record, or a directory of records")
    parser.add_argument("--study", metavar="FILE", help="judge by this study file and say what changes")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="judge so many records at a time (default: 1)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from functools import partial

    from monitor.commands.in_processes import in_processes
    from monitor.commands.printing import print_json, say
    from monitor.study.loading import load_study

    other = load_study(options.study) if options.study else None
    work = partial(_review, other=other, as_json=options.json)
    documents = []
    status = 0
    for document, lines, damage in in_processes(work, chosen_records(options.record), options.jobs):
        for sentence in damage:
            say(sentence)
            status = 1
        documents.append(document)
        for line in lines:
            print(line)
    if options.json:
        print_json(documents)
    return status


def _review(path: Any, *, other: Any, as_json: bool) -> tuple[dict[str, Any] | None, list[str], list[str]]:
    """One record: its document or its lines for people, and its damage."""
    from monitor.archive.review import review_record
    from monitor.commands.printing import trial_lines
    from monitor.judging.document import session_json
    from monitor.replay.explain.changes import what_changes

    reviewed = review_record(path, other, keep=True)
    session = reviewed.session
    changes = what_changes(review_record(path, keep=True).session.trials(), session.trials()) if other else []
    damage = [f"{path}: {sentence}" for sentence in reviewed.damage]
    if as_json:
        document = {**session_json(session, str(path)), "damage": list(reviewed.damage)}
        if other:
            document["judged_by"] = session.study.sha256
        return {**document, **({"changes": changes} if other else {})}, [], damage
    group = session.group or "not known"
    lines = [f"{path}  participant {session.opening.participant}, group {group}, {reviewed.state}"]
    if session.study.text != session.opening.study_text:
        lines.append(f"  judged by another study file than its own: {session.study.sha256[:8]}{_frozen(path, session)}")
    lines += [f"  {line}" for trial in session.trials() for line in trial_lines(trial)]
    lines += [f"  CHANGED  {one['trial']}: {one['was']} → {one['now']}; {one['why']}" for one in changes]
    if other and not changes:
        lines.append("  no trial changes")
    return None, lines, damage


def _frozen(path: Any, session: Any) -> str:
    """That another file was frozen for this study, where one was."""
    from monitor.archive.looks import frozen

    kept = frozen(path.resolve().parent, session.study.name)
    if kept is None or kept.sha256 == session.study.sha256:
        return ""
    return f"; {kept.sha256[:8]} was frozen on {kept.when[:10]}"


def chosen_records(paths: list[str]) -> list[Any]:
    """The records named on the command line; a directory of records stands for all of them."""
    from pathlib import Path

    from monitor.record.reader import list_records

    chosen = []
    for text in paths:
        path = Path(text)
        inside = list_records(path) if path.is_dir() else []
        chosen += inside or [path]
    return chosen

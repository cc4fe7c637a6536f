"""`review`: judges records again without a screen, by their own study file or by another one."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("review", help="judge records again", description=__doc__)
    parser.add_argument("record", nargs="+", metavar="RECORD", help="a record, or a directory of records")
    parser.add_argument("--study", metavar="FILE", help="judge by this study file and say what changes")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from monitor.commands.printing import print_json, say, trial_lines
    from monitor.following.explain_changes import what_changes
    from monitor.following.review import review_record, session_json
    from monitor.study.loading import load_study

    other = load_study(options.study) if options.study else None
    documents = []
    status = 0
    for path in chosen_records(options.record):
        reviewed = review_record(path, other)
        changes = what_changes(review_record(path).session.trials(), reviewed.session.trials()) if other else []
        for sentence in reviewed.damage:
            say(f"{path}: {sentence}")
            status = 1
        if options.json:
            document = session_json(reviewed.session, str(path))
            documents.append({**document, "damage": list(reviewed.damage), **({"changes": changes} if other else {})})
            continue
        session = reviewed.session
        print(
            f"{path}  participant {session.opening.participant}, group {session.group or 'not known'}, {reviewed.state}"
        )
        for trial in session.trials():
            print("\n".join(f"  {line}" for line in trial_lines(trial)))
        for change in changes:
            print(f"  CHANGED  {change['trial']}: {change['was']} → {change['now']}; {change['why']}")
        if other and not changes:
            print("  no trial changes")
    if options.json:
        print_json(documents)
    return status


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

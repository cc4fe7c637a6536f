"""`rule`: a ruling on a trial after the run; it stands beside the computed verdict and is chained to the record.

What its author knew is entered with it. Confirming what was computed needs no reason; overruling it and losing a trial
does. Every ruling is kept, the last one is in force.
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("rule", help="rule on a trial after the run", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--trial", required=True, metavar="ID", help="such as 1/gate-brake/1")
    parser.add_argument("--verdict", choices=("valid", "invalid", "undecided"))
    parser.add_argument("--reason", default="", metavar="CODE", help="a reason code of the study")
    parser.add_argument("--words", default="", metavar="TEXT")
    parser.add_argument("--by", required=True, metavar="WHO")
    parser.add_argument(
        "--reveal", action="store_true", help="instead of a ruling: lift the blindness of this trial; --words says why"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.archive.review import review_record
    from monitor.commands.shared.printing import print_json, trial_lines
    from monitor.errors import WitnessError
    from monitor.judging.document import session_json
    from monitor.record.addendum import addendum_of

    path = Path(options.record)
    session = review_record(path).session
    trial = next((trial for trial in session.trials() if trial.id == options.trial), None)
    if trial is None:
        known = ", ".join(trial.id for trial in session.trials())
        raise WitnessError(f"{path} has no trial {options.trial}; it has {known or 'none'}.")
    enter(path, options, trial, session.study)
    ruled = review_record(path).session
    code = addendum_of(path).code
    if options.json:
        print_json({**session_json(ruled, str(path)), "code": code})
    else:
        print(f"Write this code down elsewhere; it covers the record and all its rulings: {code}")
        print("\n".join(trial_lines(next(one for one in ruled.trials() if one.id == trial.id))))
    return 0


def enter(path: Any, options: argparse.Namespace, trial: Any, study: Any) -> None:
    """Enters the ruling, or what lifts the blindness, into the record's addendum; raises `WitnessError` for one that is
    refused."""
    import time
    import uuid

    from monitor.archive.looks import count_looks
    from monitor.errors import WitnessError
    from monitor.judging.entered.rulings import refused, seen_now
    from monitor.record.addendum import append_addendum

    entered = {"key": uuid.uuid4().hex, "trial": trial.id, "by": options.by, "wall": time.time(), "at": None}
    if options.reveal:
        if options.verdict or not options.words:
            raise WitnessError("--reveal takes no --verdict, and needs --words TEXT: why the response is to be seen.")
        append_addendum(path, {"type": "reveal", **entered, "words": options.words})
        return
    if options.verdict is None:
        raise WitnessError("rule needs --verdict valid, invalid or undecided.")
    why_not = refused(trial, options.verdict, options.reason, study.reasons)
    if why_not:
        raise WitnessError(why_not)
    ruling = {"verdict": options.verdict, "reason": options.reason, "words": options.words, "drive": trial.drive}
    seen = seen_now(trial, count_looks(path.resolve().parent))
    append_addendum(path, {"type": "ruling", **entered, **ruling, "seen": seen})

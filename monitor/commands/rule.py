"""`rule`: a ruling on a trial after the run; it stands beside the computed verdict and is chained to the record."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("rule", help="rule on a trial after the run", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--trial", required=True, metavar="ID", help="such as 1/gate-brake/1")
    parser.add_argument("--verdict", required=True, choices=("valid", "invalid", "undecided"))
    parser.add_argument("--reason", required=True, metavar="CODE", help="a reason code of the study")
    parser.add_argument("--words", default="", metavar="TEXT")
    parser.add_argument("--by", required=True, metavar="WHO")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    import time
    import uuid
    from pathlib import Path

    from monitor.archive.review import review_record
    from monitor.commands.printing import print_json, trial_lines
    from monitor.errors import WitnessError
    from monitor.judging.document import session_json
    from monitor.record.addendum import addendum_of, append_addendum

    path = Path(options.record)
    session = review_record(path).session
    known = {trial.id: trial for trial in session.trials()}
    if options.trial not in known:
        raise WitnessError(f"{path} has no trial {options.trial}; it has {', '.join(known) or 'none'}.")
    if options.reason not in session.study.reasons:
        raise WitnessError(
            f"The study has no reason code {options.reason}; it has {', '.join(sorted(session.study.reasons))}."
        )
    append_addendum(
        path,
        {
            "type": "ruling",
            "key": uuid.uuid4().hex,
            "trial": options.trial,
            "verdict": options.verdict,
            "reason": options.reason,
            "words": options.words,
            "by": options.by,
            "wall": time.time(),
            "at": None,
            "drive": known[options.trial].drive,
        },
    )
    ruled = review_record(path).session
    code = addendum_of(path).code
    if options.json:
        print_json({**session_json(ruled, str(path)), "code": code})
    else:
        print(f"Write this code down elsewhere; it covers the record and all its rulings: {code}")
        print("\n".join(trial_lines(next(trial for trial in ruled.trials() if trial.id == options.trial))))
    return 0

"""`prove`: what of a feed would be found untrue from which size, and what would pass, by a study on a record of one's
own.

One channel, marker or run of frames at a time is made untrue in a copy in memory, and the copy is judged as the record
was. No copy is written anywhere. A clean rehearsal is the record to take.
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("prove", help="what would be found untrue, and from which size", description=__doc__)
    parser.add_argument("record", metavar="RECORD", help="such as that of a rehearsal")
    parser.add_argument("--study", metavar="FILE", help="judge by this study file (default: the record's own)")
    parser.add_argument("--short", action="store_true", help="only the commonest faults")
    parser.add_argument(
        "--jobs", type=int, default=1, metavar="N", help="so many processes share the work (default: 1)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.interrupting import Interrupted, interruptible
    from monitor.commands.shared.printing import harmless, print_json
    from monitor.commissioning.proving.limits import prove
    from monitor.commissioning.proving.words import proof_lines
    from monitor.errors import WitnessError
    from monitor.study.loading import load_study

    if options.jobs < 1:
        raise WitnessError("--jobs needs a number of at least 1.")
    study = load_study(options.study) if options.study else None
    try:
        with interruptible():
            proof = prove(Path(options.record), study, short=options.short, jobs=options.jobs, progress=_say_progress)
    except Interrupted as interrupted:
        return 128 + interrupted.number
    if options.json:
        print_json(proof.as_json())
    else:
        print("\n".join(harmless(line) for line in proof_lines(proof, short=options.short)))
    return 0


def _say_progress(done: int, count: int) -> None:
    import sys

    if sys.stderr.isatty():
        sys.stderr.write(f"\r{done} of {count} faults tried")
        sys.stderr.flush()
    elif count and done % max(count // 10, 1) == 0:
        sys.stderr.write(f"{done} of {count} faults tried\n")

"""`withdraw`: a participant withdrew consent; erases the record and leaves a tombstone without data."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("withdraw", help="erase a record, leave a tombstone", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--by", required=True, metavar="WHO", help="who erases it; stands in the tombstone")
    parser.add_argument("--participant", required=True, metavar="CODE", help="the participant's code, as a safeguard")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.printing import print_json
    from monitor.errors import WitnessError
    from monitor.record.reader import RecordReading
    from monitor.record.sealing import withdraw_record

    path = Path(options.record)
    participant = RecordReading(path).opening.participant
    if participant != options.participant:
        raise WitnessError(f"{path} is of another participant than {options.participant}; nothing was erased.")
    tombstone = withdraw_record(path, options.by)
    if options.json:
        print_json({"record": options.record, **tombstone})
    else:
        print(f"{path}: erased; a tombstone with the digest, the date and who is left")
    return 0

"""`withdraw`: a participant withdrew consent; erases the record, leaves a tombstone without data, gives a receipt.

May be run again until nothing is left (status 1 until then).
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("withdraw", help="erase a record, leave a tombstone", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--by", required=True, metavar="WHO", help="who erases it; stands in the tombstone")
    parser.add_argument("--participant", required=True, metavar="CODE", help="the participant's code, as a safeguard")
    parser.add_argument(
        "--scope",
        choices=("all", "analysed"),
        help="as the approved protocol says: erase everything, or keep adverse events (asked where there are any)",
    )
    parser.add_argument(
        "--though-unreadable", action="store_true", help="also where neither record nor name gives the participant"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.printing import harmless, print_json
    from monitor.errors import WitnessError
    from monitor.record.withdrawing import participant_of, withdraw_record

    path = Path(options.record)
    participant = participant_of(path)
    if participant is None and not options.though_unreadable:
        raise WitnessError(
            f"{path}: neither the record nor its name says whose it is; nothing was erased. If you know that it is "
            f"{options.participant}'s, add --though-unreadable."
        )
    if participant not in (None, options.participant):
        raise WitnessError(f"{path} is of another participant than {options.participant}; nothing was erased.")
    receipt = withdraw_record(path, options.by, options.scope)
    if options.json:
        print_json(receipt.as_json())
    else:
        print("\n".join(harmless(line) for line in receipt.sentences()))
    return 0 if receipt.finished else 1

"""`verify`: is the record whole and unchanged?"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("verify", help="is a record whole and unchanged?", description=__doc__)
    parser.add_argument("record", nargs="+", metavar="RECORD")
    parser.add_argument(
        "--digest",
        metavar="CODE",
        help="the closing digest, or the code of its rulings, as noted elsewhere; for one record",
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from dataclasses import replace
    from pathlib import Path

    from monitor.archive.cache_checking import check_caches
    from monitor.commands.shared.printing import print_json
    from monitor.errors import WitnessError
    from monitor.record.verify import verify_record

    if options.digest and len(options.record) > 1:
        raise WitnessError("A noted digest belongs to one record; verify them one by one.")
    checks = []
    for path in options.record:
        check = verify_record(Path(path), options.digest)
        checks.append(replace(check, faults=(*check.faults, *check_caches(Path(path)))))
    if options.json:
        print_json([check.as_json() for check in checks])
    else:
        for check in checks:
            print("\n".join(check.sentences()))
    return 0 if all(check.ok for check in checks) else 1

"""`recover`: closes a run that was not closed, with an entry of its own; what was there is never altered."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("recover", help="close a run that was not closed", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from dataclasses import asdict
    from pathlib import Path

    from monitor.commands.printing import print_json
    from monitor.record.recovery import recover_record

    recovered = recover_record(Path(options.record))
    if options.json:
        print_json({"record": options.record, **asdict(recovered)})
    elif recovered.was != "open":
        print(f"{options.record}: was closed in good order already; nothing was done")
    else:
        print("\n".join(recovered.torn))
        print(f"{options.record}: closed with {recovered.entries} entries, digest {recovered.digest}")
    return 0

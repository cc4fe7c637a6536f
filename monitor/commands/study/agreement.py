"""`agreement`: how far two coders agree: the table of their verdicts, Cohen's kappa with its interval, and the trials
on which they differ, to be adjudicated by `rule`. Coders rule by `replay RECORD --code --by NAME`."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("agreement", help="do two coders agree?", description=__doc__)
    parser.add_argument("directory", metavar="DIR", help="a directory of records")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.printing import harmless, print_json
    from monitor.reports.agreement import agreement_json, agreement_lines

    directory = Path(options.directory)
    if options.json:
        document = agreement_json(directory)
        print_json(document)
        return 1 if document["unreadable"] else 0
    lines = agreement_lines(directory)
    print("\n".join(harmless(line) for line in lines))
    return 1 if lines and lines[0].startswith("! ") else 0

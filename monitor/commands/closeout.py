"""`closeout`: the report of one run: what came of it, and what is left to do. On the terminal, or as Markdown."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("closeout", help="the report of one run", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--out", metavar="FILE", help="write it as Markdown, for the session's folder")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.printing import harmless, print_json
    from monitor.errors import WitnessError
    from monitor.judging.document import session_json
    from monitor.reports.closeout.closeout import close_out, left_to_do
    from monitor.reports.closeout.text import markdown, terminal_lines
    from monitor.reports.export.drives import read_whole

    path = Path(options.record)
    whole = read_whole(path, frames=False)
    sections = close_out(whole)
    if options.out:
        try:
            with Path(options.out).open("x", encoding="utf-8") as file:
                file.write(harmless_text(markdown(sections)))
        except FileExistsError as error:
            raise WitnessError(f"{options.out} is there already; give another file.") from error
        except OSError as error:
            raise WitnessError(f"{options.out} cannot be written ({error.strerror}); give another file.") from error
    if options.json:
        facts = {
            "state": whole.state,
            "digest": whole.digest,
            "addendum_digest": whole.added.digest.hex() if whole.added.entries else None,
            "code": whole.added.code,
        }
        document = {**session_json(whole.session, options.record), **facts}
        print_json({**document, "damage": list(whole.damage), "left_to_do": left_to_do(whole), "out": options.out})
    elif options.out:
        print(f"{options.out}: written")
    else:
        print("\n".join(harmless(line) for line in terminal_lines(sections)))
    return 1 if whole.damage else 0


def harmless_text(text: str) -> str:
    """The text without control characters but for line ends."""
    from monitor.commands.printing import harmless

    return "\n".join(harmless(line) for line in text.split("\n"))

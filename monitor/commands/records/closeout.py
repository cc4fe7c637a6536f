"""`closeout`: the report of one run: what came of it, and what is left to do. On the terminal, or as Markdown."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("closeout", help="the report of one run", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--out", metavar="FILE", help="write it as Markdown, for the session's folder")
    parser.add_argument(
        "--hand-over",
        metavar="FILE",
        help="write the list of what is handed over: the record's files and those beside it with their SHA-256, and "
        "what is missing",
    )
    parser.add_argument("--by", metavar="WHO", help="who hands over (default: the login name)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    import time
    from pathlib import Path

    from monitor.commands.shared.printing import harmless, print_json
    from monitor.following.live import operator_name
    from monitor.judging.document import session_json
    from monitor.named_files import write_new
    from monitor.reports.closeout.closeout import close_out, left_to_do
    from monitor.reports.closeout.hand_over import MISSING, hand_over, missing_files
    from monitor.reports.closeout.text import markdown, terminal_lines
    from monitor.reports.export.drives import read_whole

    path = Path(options.record)
    whole = read_whole(path, frames=False)
    sections = close_out(whole)
    missing = missing_files(whole.session, path)
    listed: list[str] = []
    if options.hand_over:
        listed = [harmless(line) for line in hand_over(whole, options.by or operator_name(), time.time())]
        write_new(Path(options.hand_over), "\n".join([*listed, ""]))
    if options.out:
        write_new(Path(options.out), harmless_text(markdown(sections)))
    if options.json:
        facts = {
            "state": whole.state,
            "digest": whole.digest,
            "addendum_digest": whole.added.digest.hex() if whole.added.entries else None,
            "code": whole.added.code,
        }
        document = {**session_json(whole.session, options.record), **facts}
        more = {"damage": list(whole.damage), "left_to_do": left_to_do(whole) + missing, "out": options.out}
        print_json({**document, **more, "hand_over": options.hand_over})
    else:
        if options.out or options.hand_over:
            print("\n".join(f"{name}: written" for name in (options.out, options.hand_over) if name))
        else:
            print("\n".join(harmless(line) for line in terminal_lines(sections)))
        lacking = [line for line in listed if line.startswith(MISSING)] or missing
        print("\n".join(harmless(line) for line in lacking), end="\n" if lacking else "")
    return 1 if whole.damage else 0


def harmless_text(text: str) -> str:
    """The text without control characters but for line ends."""
    from monitor.commands.shared.printing import harmless

    return "\n".join(harmless(line) for line in text.split("\n"))

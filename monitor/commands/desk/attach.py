"""`attach`: a screen on a recorder that is running; it reads the record from its start and goes on live."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("attach", help="a screen on a running recorder", description=__doc__)
    parser.add_argument(
        "run",
        nargs="?",
        metavar="RUN",
        help="the record's name or the participant's code; needed where several are running",
    )
    parser.add_argument("--records", default="records", metavar="DIR")
    parser.add_argument("--read-only", action="store_true", help="for a second room: shows, and enters nothing")
    parser.add_argument("--by", metavar="WHO", help="who enters notes and rulings (default: the login name)")
    from monitor.commands.desk.watch import add_announce

    add_announce(parser)
    parser.add_argument("--headless", action="store_true", help="no screen: print findings as they come")
    parser.add_argument("--json", action="store_true", help="with --headless: JSON on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.interrupting import interruptible
    from monitor.commands.shared.live_run import Follower, show_run, stream_run
    from monitor.following.beginning import find_run

    records, name = Path(options.records), options.run
    if name is not None and Path(name).is_dir():
        records, name = Path(name).resolve().parent, Path(name).resolve().name
    if not options.headless:
        from monitor.screens.watch.running import refuse_without_terminal

        refuse_without_terminal()
    found = find_run(records.resolve(), name, read_only=options.read_only)
    follower = Follower(options.by, options.read_only, options.announce)
    if options.headless:
        with interruptible(puts_off=True) as asked:
            return stream_run(found, follower, asked, as_json=options.json, until_end=True)
    return show_run(found, follower)

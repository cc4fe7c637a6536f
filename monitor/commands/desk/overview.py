"""`overview`: every run that is recorded on this machine, one row each; Enter looks on. It judges nothing."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("overview", help="every run that is recorded here at a glance", description=__doc__)
    parser.add_argument(
        "--records",
        action="append",
        metavar="DIR",
        help="only what is recorded in this directory; may be given several times (default: all runs of this user)",
    )
    parser.add_argument("--by", metavar="WHO", help="who watches a run that nobody watches (default: the login name)")
    parser.add_argument("--once", action="store_true", help="no screen: say once how all runs stand")
    parser.add_argument("--json", action="store_true", help="with --once: one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.errors import WitnessError

    directories = [Path(one).resolve() for one in options.records or ["records"]]
    everywhere = options.records is None
    missing = [str(one) for one in directories if not one.is_dir()]
    if missing and not everywhere:
        raise WitnessError(f"No such directory of records: {', '.join(missing)}.")
    if options.once or options.json:
        return _say_once(directories, everywhere=everywhere, as_json=options.json)
    return _show(directories, everywhere=everywhere, by=options.by)


def _say_once(directories: Any, *, everywhere: bool, as_json: bool) -> int:
    from monitor.commands.shared.printing import harmless, print_json
    from monitor.following.overview.listening import look_once
    from monitor.following.overview.row import row_line

    seen = look_once(directories, everywhere=everywhere)
    runs = sorted(seen.runs, key=lambda one: str(one.record))
    if as_json:
        print_json(
            {
                "runs": [one.as_json() for one in runs],
                "never_closed": seen.old,
                "exercises": seen.exercises,
                "trouble": seen.trouble or None,
            }
        )
        return 1 if seen.trouble else 0
    for one in runs:
        print(harmless(row_line(one)))
    if seen.trouble:
        print(f"{harmless(seen.trouble)}.")
    elif not seen.runs:
        print("Nothing is being recorded here.")
    if seen.old:
        print(f"{seen.old} older runs were never closed.")
    if seen.exercises:
        print("An operator's exercise goes on.")
    return 1 if seen.trouble else 0


def _show(directories: Any, *, everywhere: bool, by: str | None) -> int:
    """The screen, and from it the screen on one run and back; that one tells what the others need."""
    from functools import partial

    from monitor.commands.shared.live_run import Follower, show_run
    from monitor.commands.shared.printing import say
    from monitor.errors import WitnessError
    from monitor.following.beginning import find_run
    from monitor.following.overview.elsewhere import said_elsewhere
    from monitor.following.overview.listening import Overseer
    from monitor.screens.overview.app import run_overview
    from monitor.screens.overview.looking_on import look_on
    from monitor.screens.watch.running import refuse_without_terminal

    refuse_without_terminal("overview", otherwise="--once")
    overseer = Overseer(directories, everywhere=everywhere)
    chosen, said = 0, ""
    try:
        while True:
            status, attach, chosen = run_overview(overseer.seen, chosen, said)
            if attach is None or status:
                return status
            said = ""
            try:
                found = find_run(attach.record.parent, attach.record.name, read_only=not attach.writes)
                follower = Follower(by, read_only=not attach.writes)
                others = partial(said_elsewhere, overseer.seen, attach.record)
                screen = partial(look_on, elsewhere=others, read_only=not attach.writes)
                status = show_run(found, follower, says_it_goes_on=False, screen=screen)
            except WitnessError as error:
                said = str(error)  # it was closed meanwhile, or its recorder has died
                say(said)
            if status >= 128:
                return status
    finally:
        overseer.stop()

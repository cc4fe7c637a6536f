"""Options of the commands that judge many records, and what they tell while they do."""

from __future__ import annotations

import argparse
from typing import Any

TOLD_EVERY_S = 0.2


def add_many_options(parser: argparse._ActionsContainer) -> None:
    """Where the records are judged, and whether the answers are kept."""
    parser.add_argument("--jobs", type=int, metavar="N", help="so many records at a time (default: one for each core)")
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="on the workers of a dask scheduler (extra: cluster), such as tls://scheduler:8786; it is trusted as code",
    )
    parser.add_argument(
        "--plain-network",
        action="store_true",
        help="with --scheduler tcp://… beyond this machine: nobody else can reach that network",
    )
    parser.add_argument("--keep", metavar="DIR", help="keep each answer there, and take up a stopped run from it")


def how_many(options: argparse.Namespace, what: str) -> Any:
    """Where and how, as the options say; `what` begins the line of progress."""
    from pathlib import Path

    from monitor.archive.engine.run import How, cores
    from monitor.errors import WitnessError

    if options.jobs is not None and options.jobs < 1:
        raise WitnessError("--jobs needs a number of at least 1.")
    if options.jobs is not None and options.scheduler is not None:
        raise WitnessError("--jobs is for this machine alone; a scheduler's workers decide how many they do at a time.")
    keep = Path(options.keep) if options.keep else None
    return How(options.jobs or cores(), options.scheduler, options.plain_network, keep, _told(what))


def on_all_cores(what: str = "") -> Any:
    """On this machine, on every core, for commands without these options; with `what` it is told how far it is."""
    from monitor.archive.engine.run import How, cores

    return How(cores(), progress=_told(what) if what else None)


def _told(what: str) -> Any:
    """Tells on stderr how far it is, where there is a terminal and some time to wait."""
    import sys
    from time import monotonic

    last_s = 0.0

    def tell(progress: Any) -> None:
        nonlocal last_s
        is_over = progress.done == progress.of
        if progress.of <= 4 or not sys.stderr.isatty() or not (is_over or monotonic() - last_s >= TOLD_EVERY_S):
            return
        last_s = monotonic()
        print(f"\r\x1b[K{progress.sentence(what)}", end="\n" if is_over else "", file=sys.stderr, flush=True)

    return tell

"""`tally`: how far a study is: trials by group and effective verdict, why others were lost, what is still needed.

Nothing about responses. The records of the directory are judged anew where the summary beside them does not fit.
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("tally", help="the study so far: what is valid, lost, needed", description=__doc__)
    add_directory_options(parser)
    parser.add_argument("--trigger", metavar="NAME", help="only this trigger")
    parser.add_argument("--follow", action="store_true", help="again whenever a record changes, until interrupted")


def add_directory_options(parser: argparse.ArgumentParser) -> None:
    """Options that the reports on a directory share."""
    from monitor.commands.shared.many_records import add_many_options

    parser.add_argument("directory", metavar="DIR", help="a directory of records")
    parser.add_argument("--study", metavar="FILE", help="judge every record by this study file instead of its own")
    add_many_options(parser)
    parser.add_argument("--json", action="store_true", help="JSON on standard output")


def run(options: argparse.Namespace) -> int:
    if not options.follow:
        return _show(options, None)[1]
    shown = None
    while True:
        before = _marks(options)  # before the records are read: what comes while they are is a change, too
        shown, _ = _show(options, shown)
        _wait_for_change(options, before)


def gathered(options: argparse.Namespace, *, unblinded: bool = False) -> Any:
    """The records of the command's directory, with progress on stderr where many have to be judged. `unblinded`: with
    hidden responses, after a look was entered."""
    from pathlib import Path

    from monitor.archive.gathering import gather
    from monitor.commands.shared.many_records import how_many
    from monitor.study.loading import load_study

    study = load_study(options.study) if options.study else None
    return gather(Path(options.directory), study, how_many(options, "judging records"), unblinded=unblinded)


def _show(options: argparse.Namespace, shown: Any) -> tuple[Any, int]:
    """Prints the report unless it is the one that stands there; with the exit status."""
    import sys

    from monitor.commands.shared.printing import harmless, print_json
    from monitor.reports.tally.tally import tally_json
    from monitor.reports.tally.text import tally_lines

    found = gathered(options)
    document = tally_json(found, options.trigger)
    status = 1 if document["faults"] else 0
    if document == shown:
        return shown, status
    if options.json:
        print_json(document)
    else:
        if shown is not None and sys.stdout.isatty():
            print("\x1b[H\x1b[2J", end="")
        print("\n".join(harmless(line) for line in tally_lines(found, options.trigger)), flush=True)
    return document, status


def _wait_for_change(options: argparse.Namespace, before: list[tuple[str, ...]]) -> None:
    """Returns when a file in one of the records is another than `before`, or another record is being written; asks
    once a second."""
    import time

    while _marks(options) == before:
        time.sleep(1.0)


def _marks(options: argparse.Namespace) -> list[tuple[str, ...]]:
    """The records, with whether each is being written, and their files, with their length and when they, or who may
    read them, changed: two writes may fall into one tick of the disk's clock."""
    from contextlib import suppress
    from pathlib import Path

    from monitor.archive.summary_cache import CACHE_NAME
    from monitor.record.disk import is_being_written

    marks: list[tuple[str, ...]] = []
    for record in Path(options.directory).glob("*.run"):
        with suppress(OSError):  # not ours to read, or withdrawn at this moment: the tally says so
            marks.append((str(record), str(is_being_written(record))))  # who is killed changes no file
            for file in record.iterdir():
                if not file.name.startswith(CACHE_NAME.partition(".")[0]):
                    now = file.lstat()
                    marks.append((str(file), f"{now.st_size} {now.st_mtime_ns} {now.st_ctime_ns}"))
    return sorted(marks)


def progress(what: str) -> Any:
    """Tells on stderr how far it is, where there is a terminal and some time to wait."""
    import sys

    def show(done: int, all_: int) -> None:
        if all_ > 4 and sys.stderr.isatty():
            print(f"\r\x1b[K{what}: {done} of {all_}", end="\n" if done == all_ else "", file=sys.stderr)

    return show

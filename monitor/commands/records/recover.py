"""`recover`: closes a run that was not closed, with an entry of its own; what was there is never altered."""

from __future__ import annotations

import argparse
from typing import Any

HAND_OVER_WITHIN_S = 30.0


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("recover", help="close a run that was not closed", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument(
        "--place",
        metavar="DIR",
        help="a directory of records on another disk that holds parts of this record, or takes what no disk takes",
    )
    parser.add_argument(
        "--without-places", action="store_true", help="also where another disk of the record cannot be reached"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from dataclasses import asdict
    from pathlib import Path

    from monitor.commands.shared.printing import print_json, say
    from monitor.record.recovery import recover_record, take_place
    from monitor.recorder.running import withdraw_announcement

    path = Path(options.record)
    if options.place is not None and (status := _hand_over(path, Path(options.place))) is not None:
        return status
    if options.place is not None:
        say(f"{path}: its parts in {take_place(path, Path(options.place))} belong to it")
    recovered = recover_record(path, without_places=options.without_places)
    withdraw_announcement(path)  # what the recorder that died had left: nobody can come back to a closed run
    if options.json:
        print_json({"record": options.record, **asdict(recovered)})
    elif recovered.was != "open":
        print(f"{options.record}: was closed in good order already; nothing was done")
    else:
        print("\n".join(recovered.torn))
        print(f"{options.record}: closed with {recovered.entries} entries, digest {recovered.digest}")
    return 0


def _hand_over(path: Any, place: Any) -> int | None:
    """Tells a recorder that runs, and cannot write, where it can; None where none runs on this record."""
    import time

    from monitor.commands.shared.printing import say
    from monitor.record.disk import is_being_written
    from monitor.recorder.client import RecorderClient
    from monitor.recorder.running import read_announcement

    running = read_announcement(path)
    if running is None or not is_being_written(path):
        return None
    client = RecorderClient(running.sockets, running.record, writer=True)
    try:
        deadline = time.monotonic() + HAND_OVER_WITHIN_S
        told = False
        while time.monotonic() < deadline:
            client.entries(0.1)
            status = client.status()
            if not told and status.alive:
                client.name_place(place)
                told = True
            elif told and (status.place_said or status.closed or (not status.ending and status.trouble is None)):
                say(status.place_said or f"{path}: goes on in {place}")
                return 1 if status.place_said else 0
        say(f"{path}: its recorder (process {running.pid}) did not take {place} within {HAND_OVER_WITHIN_S:g} s")
        return 1
    finally:
        client.close()

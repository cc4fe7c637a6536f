"""`import`: a file of a past drive into a run record, by its channel map; replayed and judged like any other."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("import", help="a file of a past drive into a run record", description=__doc__)
    parser.add_argument("file", metavar="FILE", help="a table of text: one line of names, then one for each step")
    parser.add_argument("--map", required=True, metavar="FILE", help="its channel map (configs/channels-example.toml)")
    parser.add_argument(
        "--also",
        action="append",
        default=[],
        metavar="FILE",
        help="the map of a further source in the same file, or MAP=FILE",
    )
    parser.add_argument("--study", required=True, metavar="FILE")
    parser.add_argument("--participant", required=True, metavar="CODE")
    parser.add_argument("--group", metavar="NAME", help="the participant's alert group; else what the file says")
    parser.add_argument("--records", default="records", metavar="DIR", help="where records are kept (default: records)")
    parser.add_argument(
        "--began",
        metavar="TIME",
        help="when the drive began, such as 2026-05-04T10:30+02:00, where the file has no clock (default: its date)",
    )
    parser.add_argument(
        "--despite-faults", action="store_true", help="import even what cannot be right; the record then says so"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from datetime import datetime
    from pathlib import Path

    from monitor.commands.shared.printing import harmless, print_json, reading_line, say, trial_lines
    from monitor.commissioning.importing import CannotBeRight, PastDrive, import_drive
    from monitor.connect.channel_map.loading import load_map
    from monitor.connect.sources.files import Beside, beside_from
    from monitor.errors import WitnessError
    from monitor.following.beginning import Driving
    from monitor.study.loading import load_study

    began = None
    if options.began is not None:
        try:
            began = datetime.fromisoformat(options.began).astimezone()
        except ValueError as error:
            raise WitnessError(f"--began {options.began} is no time; write it as 2026-05-04T10:30+02:00.") from error
    channels = load_map(options.map)
    study = load_study(options.study)
    for caution in channels.cautions:
        say(f"{options.map}: {caution}")
    further = tuple(Beside(load_map(name), path) for name, path in map(beside_from, options.also))
    try:
        imported = import_drive(
            PastDrive(channels, Path(options.file), further, began, reading_line),
            study,
            Driving(options.participant, options.group),
            Path(options.records),
            despite_faults=options.despite_faults,
        )
    except CannotBeRight as refusal:
        if options.json:
            print_json({"record": None, "dry": refusal.report.as_json()})
        else:
            print("\n".join(harmless(line) for line in refusal.report.sentences()))
        raise
    if options.json:
        print_json(imported.as_json())
    else:
        lines = [*imported.report.sentences(), *(line for one in imported.report.trials for line in trial_lines(one))]
        print("\n".join(harmless(line) for line in [*lines, *imported.sentences()]))
    return 0 if imported.report.ok else 1

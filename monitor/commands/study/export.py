"""`export`: the study as tables for the analyst: trials, conditions, findings, events, notes, participants, telemetry.

As CSV, as a data set after BIDS, as Parquet (extra `parquet`), or as cues for the room's video (WebVTT). The same
records give the same bytes.
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    from monitor.commands.study.compare import add_unblind_options
    from monitor.commands.study.tally import add_directory_options

    parser = subparsers.add_parser(
        "export", help="tables for the analyst (CSV, BIDS, Parquet), cues for the video", description=__doc__
    )
    add_directory_options(parser)
    parser.add_argument("--to", required=True, choices=("csv", "bids", "parquet", "cues"), dest="form", help="the form")
    parser.add_argument("--out", required=True, metavar="DIR", help="a new or empty directory")
    parser.add_argument("--rate", type=float, metavar="HZ", help="rate of the telemetry (default: the simulator's)")
    parser.add_argument(
        "--video-at",
        default="0",
        metavar="S|FILE",
        help="cues: where the video mark is seen in the video, in seconds, or a CSV file with columns record, video_s",
    )
    add_unblind_options(parser, "with responses though rulings of a blind study are not complete; entered")


def run(options: argparse.Namespace) -> int:
    from functools import partial
    from pathlib import Path

    from monitor.archive.gathering import gathered_json
    from monitor.archive.looks import refuse_look_file
    from monitor.commands.shared.looking import until_given
    from monitor.commands.shared.printing import print_json, say
    from monitor.commands.study.tally import gathered, progress
    from monitor.errors import WitnessError
    from monitor.reports.export.cues import video_times
    from monitor.reports.export.export import ExportPlan, export_records, export_sentences, refuse_codes
    from monitor.study.loading import load_study

    if options.rate is not None and not 0.1 <= options.rate <= 1000.0:
        raise WitnessError("--rate needs a rate from 0.1 to 1000 Hz.")
    refuse_look_file(Path(options.out))
    video = video_times(options.video_at)
    found = gathered(options)
    refuse_codes(found, options.form)
    with until_given(options, "export", Path(options.out)) as looking:
        enter_look = partial(looking.enter, {"to": options.form}, found)
        exported = export_records(
            found,
            ExportPlan(options.form, options.rate, video, enter_look if options.unblind else None),
            Path(options.out),
            study=load_study(options.study) if options.study else None,
            progress=progress("exporting records"),
        )
    if options.json:
        document = {
            "out": str(exported.directory),
            "to": exported.form,
            "trials": exported.trials,
            "responses_left_out": exported.masked,
            "unruled": exported.unruled,
            "told": list(exported.remarks),
            "look": looking.number,
        }
        print_json({**gathered_json(found), **document})
    else:
        for sentence in [*found.faults(), *found.remarks()]:
            say(sentence)
        print("\n".join(export_sentences(exported)))
    return 1 if found.faults() else 0

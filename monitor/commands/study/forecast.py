"""`forecast`: how many more participants to invite, by when the study will be done, and which losses cost most.

Nothing about responses. What a wider band would have saved is said from lost trials alone, and only as long as nobody
has looked at responses in this directory.
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    from monitor.commands.study.tally import add_directory_options

    parser = subparsers.add_parser("forecast", help="how many more to invite, and until when", description=__doc__)
    add_directory_options(parser)
    parser.add_argument("--trigger", metavar="NAME", help="default: that of the study's [analysis], or with an alert")
    parser.add_argument("--per-week", type=float, metavar="N", help="participants booked a week (default: as lately)")
    parser.add_argument(
        "--from", dest="begins", metavar="YYYY-MM-DD", help="bookings begin on this day (default: today)"
    )


def run(options: argparse.Namespace) -> int:
    import math
    from datetime import date
    from pathlib import Path

    from monitor.archive.looks import count_looks
    from monitor.commands.shared.printing import harmless, print_json, say
    from monitor.commands.study.tally import gathered
    from monitor.errors import WitnessError
    from monitor.reports.forecast.forecast import Bookings, forecast_studies
    from monitor.reports.forecast.text import forecast_json, forecast_lines

    rate = options.per_week
    if rate is not None and not (math.isfinite(rate) and rate > 0.0):
        raise WitnessError("--per-week needs a number above 0.")
    try:
        begins = date.fromisoformat(options.begins) if options.begins else date.today()
    except ValueError as error:
        raise WitnessError("--from needs a day such as 2026-12-01.") from error
    found = gathered(options)
    looks = count_looks(Path(options.directory))
    forecasts = forecast_studies(found, Bookings(rate, begins), looks, options.trigger)
    if options.json:
        print_json(forecast_json(found, forecasts))
    else:
        for sentence in [*found.faults(), *found.remarks()]:
            say(harmless(sentence))
        for one in forecasts:
            print("\n".join(harmless(line) for line in forecast_lines(one)))
            print()
        if not forecasts:
            print(f"{options.directory} holds no run that can be counted.")
    return 1 if found.faults() else 0

"""`seal`: packs a closed record, proves that nothing was lost, and shows the digest to write down."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("seal", help="pack a closed record for keeping", description=__doc__)
    parser.add_argument("record", metavar="RECORD")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from contextlib import suppress
    from dataclasses import asdict
    from pathlib import Path

    from monitor.archive.kept.reading import forget_columns
    from monitor.archive.summary_cache import fresh_summary
    from monitor.commands.shared.printing import print_json
    from monitor.errors import WitnessError
    from monitor.record.sealing import seal_record

    sealed = seal_record(Path(options.record))
    forget_columns(Path(options.record))
    with suppress(WitnessError):
        # the tally's summary is made now, so that the first tally need not judge the sealed record
        fresh_summary(Path(options.record))
    if options.json:
        print_json({"record": options.record, **asdict(sealed), "share": sealed.share})
    else:
        print(
            f"{options.record}: sealed, {sealed.entries} entries, {sealed.sealed_bytes} bytes "
            f"({sealed.share:.0%} of {sealed.raw_bytes})"
        )
        print(f"Write this closing digest down elsewhere: {sealed.digest}")
    return 0

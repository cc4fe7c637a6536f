"""`keys`: makes CURVE key pairs for a feed that only those may read whose keys are allowed."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("keys", help="make CURVE key pairs for the feed", description=__doc__)
    parser.add_argument("directory", metavar="DIR", help="where the key files go; made if it is not there")
    parser.add_argument(
        "--name",
        action="append",
        metavar="NAME",
        help="a key pair of this name, repeatable (default: simulator, and witness with its key among the allowed)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.printing import print_json
    from monitor.errors import WitnessError
    from monitor.feed.curve import KeyFileRefused, write_key_pair
    from monitor.named_files import make_directory

    directory = Path(options.directory)
    names = options.name or ["simulator", "witness"]
    for name in names:
        if not name or any(not (one.isalnum() or one in "._-") for one in name):
            raise WitnessError(f"{name!r} cannot be the name of a key file; use letters, digits, '.', '_' and '-'.")
        for ending in (".key", ".key_secret"):
            if (directory / f"{name}{ending}").exists():
                raise KeyFileRefused(f"{directory / f'{name}{ending}'} exists already; a key is never overwritten.")
    try:
        make_directory(directory, 0o700)
        made = {name: write_key_pair(directory, name) for name in names}
        allowed = directory / "allowed"
        if options.name is None:
            allowed.mkdir(exist_ok=True)
            (allowed / "witness.key").write_bytes(made["witness"][0].read_bytes())
    except OSError as error:
        raise WitnessError(f"{directory}: keys cannot be written there ({error.strerror}).") from error
    if options.json:
        pairs = {name: {"public": str(public), "secret": str(secret)} for name, (public, secret) in made.items()}
        print_json({"directory": str(directory), "pairs": pairs})
        return 0
    for name, (public, secret) in made.items():
        print(f"{name}: {public} (give it to others), {secret} (keep it, mode 600)")
    if options.name is None:
        print(f"{allowed}: the keys of who may read the feed; the witness is in it")
    return 0

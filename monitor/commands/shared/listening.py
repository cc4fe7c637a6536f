"""What `watch`, `rehearse` and `check` are to listen to, refused before anything is begun or spent for it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.feed.curve import CurveFiles


def curve_files(options: argparse.Namespace) -> CurveFiles | None:
    """The CURVE key files of the command line; None without. Raises `WitnessError` for one without the other, and for
    a file that holds no key."""
    from pathlib import Path

    from monitor.errors import WitnessError
    from monitor.feed.curve import CurveFiles, read_key_pair, read_public_key

    if (options.own_key is None) != (options.simulator_key is None):
        raise WitnessError("CURVE needs both --own-key and --simulator-key.")
    if options.own_key is None:
        return None
    files = CurveFiles(Path(options.own_key), Path(options.simulator_key))
    read_public_key(files.server_public)
    read_key_pair(files.own_secret)
    return files


def refuse_feeds(feeds: Sequence[str]) -> None:
    """Raises `WitnessError` for an endpoint that cannot be one."""
    from monitor.connect.opened_feeds import PREFIX
    from monitor.feed.endpoint import check_endpoint

    for one in feeds:
        if not one.startswith(PREFIX):
            check_endpoint(one)

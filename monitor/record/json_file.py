"""A small file, or a line of one, that holds one JSON object. Whatever else is there is refused, and nothing waits."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from monitor.record.disk import DISK, DiskCalls, read_small


def json_map(text: bytes | str) -> dict[str, Any]:
    """The object. Raises `ValueError` for anything else, and for one that is nested too deeply to be read."""
    try:
        read = json.loads(text)
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error
    if not isinstance(read, dict):
        raise ValueError("it is no JSON object")
    return read


def read_json_map(path: Path, most_bytes: int, disk: DiskCalls = DISK) -> dict[str, Any]:
    """The object in a regular file of at most so many bytes. Raises `OSError` and `ValueError`."""
    return json_map(read_small(path, most_bytes, disk))

"""Notes and rulings made in a replay: taken at once, written beside the record one after the other."""

from __future__ import annotations

import queue
import time
import uuid
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.record.addendum import append_addendum, read_addendum

MOST_WAITING = 1000


class AddendumWriting:
    """The addendum of the record at `path`: what is in it (`entries`), and what waits to be written."""

    def __init__(self, path: Path, by: str) -> None:
        self.path = path
        self.by = by
        self.entries: list[dict[str, Any]] = read_addendum(path)
        self.trouble = ""
        """A sentence while an entry cannot be written; it waits, and is tried again."""
        self._waiting: queue.Queue[dict[str, Any]] = queue.Queue(maxsize=MOST_WAITING)

    @property
    def unsaved(self) -> int:
        """Entries that are not on disk yet."""
        return self._waiting.qsize()

    def post(self, fields: dict[str, Any]) -> str:
        """Takes an operator's entry, with who and when; gives its key."""
        key = str(fields.get("key") or uuid.uuid4().hex)
        try:
            self._waiting.put_nowait({"by": self.by, "wall": time.time(), **fields, "key": key})
        except queue.Full as error:
            raise WitnessError(f"{MOST_WAITING} entries wait to be saved; the disk does not take them.") from error
        return key

    def write(self) -> bool:
        """Writes what waits; whether anything changed. For one thread only.

        What cannot be written stays first in the queue: its key makes writing it again harmless.
        """
        changed = False
        while not self._waiting.empty():
            fields = self._waiting.queue[0]
            try:
                append_addendum(self.path, fields)
            except WitnessError as error:
                changed = changed or not self.trouble
                self.trouble = f"not saved yet: {error}"
                return changed
            self.entries = [*self.entries, fields]
            self.trouble, changed = "", True
            self._waiting.get_nowait()
        return changed

"""The tree of errors that end a command with a plain sentence and a status.

WitnessError                 wrong usage or unreadable input (status 2)
├── FileFaults               a file written by hand with one or more faults, all of them listed
│   ├── StudyFaults          a study file
│   └── MapFaults            a channel map
├── RecordUnreadable         a path that is no run record, or one of which nothing can be read
└── RecorderLost             the recorder process did not answer
"""

from __future__ import annotations


class WitnessError(Exception):
    """An error whose text is meant for the operator: what is wrong, where, and what to do."""

    exit_code = 2


class FileFaults(WitnessError):
    """Raised when a file written by hand has faults; `faults` holds one whole sentence for each."""

    file = "file"

    def __init__(self, path: str, faults: tuple[str, ...], *, readable: bool = True) -> None:
        """`readable`: False where nothing of the file could be read at all."""
        self.readable = readable
        self.path = path
        self.faults = faults
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__("\n".join([f"{path}: {count} in the {self.file}", *(f"  {fault}" for fault in faults)]))


class StudyFaults(FileFaults):
    """Raised when a study file has faults."""

    file = "study file"


class MapFaults(FileFaults):
    """Raised when a channel map has faults."""

    file = "channel map"


class RecordUnreadable(WitnessError):
    """Raised when a path holds no run record, or when nothing of it can be read."""


class RecorderLost(WitnessError):
    """Raised when the recorder process cannot be started or does not answer in time."""

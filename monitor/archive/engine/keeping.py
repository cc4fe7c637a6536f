"""Answers kept in a directory of the caller's, so that a stopped run over many records is taken up where it was.

One file for each record and task, `<key>.json`. The key is a digest of all that could change the answer: the record's
closing digest and its files, the study, what is done and with what options, the sources of all modules that have a part
in it, numpy's version. Nothing is looked at under another key, so that what no longer fits is merely not found; each
is sealed as caches are, so that nothing is believed that was changed, or made by somebody else.
They hold what the reports hold, and are readable by their owner alone.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

from monitor.archive.cache_seal import key_file, seal_holds, seal_of
from monitor.archive.engine.addresses import Known
from monitor.archive.engine.unit import Task
from monitor.errors import WitnessError
from monitor.named_files import make_directory
from monitor.record.json_file import read_json_map

MOST_BYTES = 1 << 28


class KeptAnswers:
    """The answers of one task in a directory. Raises `WitnessError` where that cannot be written."""

    def __init__(self, directory: Path, task: Task) -> None:
        self._directory = directory
        self._task = json.dumps(
            [
                f"{task.work.__module__}.{task.work.__qualname__}",
                None if task.study is None else task.study.sha256,
                task.options or {},
                task.program,
            ],
            sort_keys=True,
        )
        try:
            make_directory(directory, 0o700)
        except OSError as error:
            raise WitnessError(f"--keep {directory} cannot be written ({error.strerror or error}).") from error

    def of(self, known: Known) -> str | None:
        """The answer's JSON text; None where there is none that fits."""
        path = self._path(known)
        try:
            if path is None:
                return None
            kept = read_json_map(path, MOST_BYTES)
            text = str(kept["answer"])
            return text if seal_holds(bytes.fromhex(kept["seal"]), text.encode(), path.stem.encode()) else None
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def keep(self, known: Known, text: str) -> None:
        """Raises `WitnessError` where it cannot be written: who asked for it counts on it."""
        path = self._path(known)
        if path is None:
            return
        unfinished = path.with_suffix(f".{os.getpid()}")
        seal = seal_of(text.encode(), path.stem.encode())
        if seal is None:
            raise WitnessError(f"--keep needs a key of your own in {key_file()}, and none can be made there.")
        try:
            descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                json.dump({"answer": text, "seal": seal.hex()}, file)
            unfinished.replace(path)
        except OSError as error:
            raise WitnessError(
                f"{path} cannot be written ({error.strerror or error}); choose another --keep."
            ) from error

    def _path(self, known: Known) -> Path | None:
        if known.identity is None:
            return None
        return self._directory / f"{_sum(f'{self._task} {known.identity}')}.json"


def _sum(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()

"""Loads a study file: a `Study` that is right in every point, or every fault of the file at once."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from monitor.errors import StudyFaults
from monitor.study.building import build_study
from monitor.study.model import Study
from monitor.study.shape import STUDY_FILE
from monitor.tables.checker import check_value
from monitor.tables.reading import parse_file, read_file


def load_study(path: Path | str) -> Study:
    """The study in a file, its digest taken over the file's bytes.

    Raises `StudyFaults` where the file cannot be read, is not UTF-8, is not TOML or has faults: all are listed.
    """
    raw, text = read_file(path, StudyFaults)
    return _parse(text, str(path), hashlib.sha256(raw).hexdigest())


def parse_study(text: str, path: str) -> Study:
    """The study in a text; `path` names it in messages. Raises `StudyFaults` with all faults."""
    return _parse(text, path, hashlib.sha256(text.encode("utf-8")).hexdigest())


def _parse(text: str, path: str, sha256: str) -> Study:
    raw, faults = parse_file(text, path, StudyFaults)
    root: dict[str, Any] = check_value(raw, STUDY_FILE, (), faults)
    study = build_study(root, faults, text=text, sha256=sha256, path=path)
    if study is None:
        raise StudyFaults(path, faults.sentences())
    return study

"""The trials of a record as one coder sees them, and the coder's entries beside the record."""

from __future__ import annotations

import time
import uuid
from pathlib import Path

from monitor.archive.review import review_record
from monitor.judging.case.trial import Verdict
from monitor.judging.entered.coding import Coding, CodingCase, cases, codings_of, refused
from monitor.judging.entered.rulings import ACCEPTING, CONFIRMED
from monitor.record.addendum import append_addendum, read_addendum
from monitor.record.reader import RecordFiles
from monitor.study.model import Reason
from monitor.study.reasons import FINDING_REASONS

ABOUT_THE_MONITOR = (CONFIRMED, *ACCEPTING)
"""Reasons of who has seen what the monitor said."""

NOT_MET = "condition-not-met"
"""The one finding that a coder gives as a reason: a value outside of its band."""


class CodingDesk:
    """One coder's place: what may be seen, and what this coder has said so far. Nobody else's is in it."""

    def __init__(self, path: Path, by: str) -> None:
        """Raises `RecordUnreadable`, and `StudyFaults` where the study in the record does not load."""
        session = review_record(path).session
        self.path = path
        self.by = by
        self.name = RecordFiles(path).record_id[:8]
        """Of the record; its own name has the participant's code."""
        self.cases: tuple[CodingCase, ...] = cases(session.study, session.trials())
        left_out = {*FINDING_REASONS, *ABOUT_THE_MONITOR}
        offered = (one for one in session.study.reasons.values() if one.code not in left_out)
        self.reasons: dict[str, Reason] = {one.code: one for one in offered}
        self.reasons |= {NOT_MET: session.study.reasons[NOT_MET]}
        entered = codings_of(read_addendum(path))
        known = {one.trial for one in self.cases}
        self.mine: dict[str, Coding] = {
            trial: said[by] for trial, said in entered.items() if by in said and trial in known
        }

    @property
    def waiting(self) -> int:
        """Trials that this coder has not coded yet."""
        return len(self.cases) - len(self.mine)

    def enter(self, trial: str, verdict: Verdict | None, reason: str, words: str) -> str | None:
        """Enters a coding, which is on disk on return; a sentence where it is not taken.

        Raises `RecordNotWritable` for a record that is not closed, and where the disk fails.
        """
        why_not = refused(verdict, reason, self.reasons)
        if why_not is not None or verdict is None:
            return why_not
        coding = Coding(trial, verdict, reason, words, self.by, time.time())
        fields = {"verdict": verdict, "reason": reason, "words": words, "by": self.by, "wall": coding.wall}
        append_addendum(self.path, {"type": "coding", "key": uuid.uuid4().hex, "trial": trial, "at": None, **fields})
        self.mine[trial] = coding
        return None

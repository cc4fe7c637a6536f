"""Notes as they are handed over with the operator's place, and how those stand now that were handed over before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from monitor.following.words import clock
from monitor.judging.case.trial import Note
from monitor.judging.entered.operator import Handover

MOST_TEXT = 300
"""Characters of a note that go with the entry; the note itself is in the record."""


def handed_line(note: Note) -> str:
    """When, by whom and what; of one that was taken back also by whom and why."""
    return f"{clock(note.at, tenths=False)} {note.by or 'somebody'}: {note.told[:MOST_TEXT]}"


def without_clock(line: str) -> str:
    """A note's line without when it was made."""
    return line.partition(" ")[2]


def handed_now(handover: Handover, notes: Sequence[Note]) -> list[str]:
    """The notes of an entry as they were handed over; one that was taken back since says so. `notes`: all of the run.

    An entry keeps no more of a note than its line, so that of notes that read alike as many are marked as were taken
    back.
    """
    back = [(handed_line(replace(note, retracted=None)), handed_line(note)) for note in notes if note.retracted]
    left = Counter(line for line, _ in back)
    left -= Counter(line for line, marked in set(back) for one in handover.notes if one == marked)  # marked then
    now = dict(back)
    said = []
    for line in handover.notes:
        if left[line]:
            left[line] -= 1
            said.append(now[line])
        else:
            said.append(line)
    return said

"""What the other runs need while somebody looks at one of them: one sentence, empty where nothing is wrong."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from monitor.following.overview.listening import Overseen
from monitor.following.overview.row import RunRow
from monitor.following.status_stream import VALID_FOR_S


def elsewhere(seen: Overseen, record: Path, now: float) -> str:
    """`record`: the run that is looked at; `now`: monotonic seconds, as `Overseen.at`."""
    others = [one for one in seen.runs if one.record != record]
    age_s = now - seen.at
    if age_s > VALID_FOR_S and others:
        return f"ELSEWHERE nothing has been learned for {age_s:.0f} s; q all runs"
    # the two keys of the order: a run that is not as it should be comes before a trial that only waits
    wanting = sorted((one for one in others if one.wants_somebody), key=lambda one: one.heading.tone != "bad")
    named = " · ".join(map(need_words, wanting))
    return f"ELSEWHERE {len(wanting)}: {named}; q all runs" if wanting else ""


def said_elsewhere(seen: Callable[[], Overseen], record: Path) -> str:
    """The same of the newest look, now."""
    return elsewhere(seen(), record, time.monotonic())


def need_words(run: RunRow) -> str:
    """Who, and what it is, in as few words as there are."""
    waits = f"{len(run.waits)} waiting" if run.waits else ""
    head = run.heading.word if run.heading.tone == "bad" or not waits else ""
    return " ".join(one for one in (run.participant, head, waits) if one)

"""Where a replay of a blind record ends."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass, replace

from monitor.judging.blinding import hide
from monitor.replay.seeking.map import RecordMap


@dataclass(frozen=True, slots=True)
class Curtain:
    """Where a replay of a blind record ends, in seconds of the record: at the end of the horizon of the first trial
    whose response is hidden. How long anything took after that tells of the response."""

    at_s: float
    trial: str


def first_hidden(found: RecordMap, lifted: Set[str]) -> Curtain | None:
    """The curtain, by what has been read of a record and the trials that its addendum `lifted`; None where nothing is
    hidden."""
    lifted = found.lifted | lifted
    done = [track.trial for track in found.done_tracks.copy().values() if track.trial is not None]
    if found.session is not None:  # read to its end: which fire nobody told of is known only then
        done += [one for one in found.session.trials() if one.untold_at is not None]
    trials = hide(found.study, [replace(one, blind=True, revealed=one.id in lifted) for one in done])
    ends = [
        Curtain(found.at_s_of(trial.drive, trial.hidden_to), trial.id)
        for trial in trials
        if trial.response_hidden and trial.hidden_to is not None
    ]
    return min(ends, key=lambda one: one.at_s, default=None)

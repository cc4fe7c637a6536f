"""One line after a trial: go on, run again, or stop and replace."""

from __future__ import annotations

from monitor.judging.exposure import Shown
from monitor.judging.trial import Trial
from monitor.study.model import Study


def what_now(trial: Trial, shown: Shown, study: Study, group: str | None) -> str:
    """What the operator does next, in one sentence; empty while the trial waits or is still open and unspoilt.

    A participant counts as spent unless the evidence says that the hazard did not show itself.
    """
    if trial.verdict == "valid":
        return "Go on: the trial is valid."
    if trial.stage in ("armed", "fired") and trial.verdict == "undecided":
        return ""
    if trial.verdict == "undecided":
        return "Your call: rule it valid or invalid, with a reason."
    if shown is Shown.NO and trial.naive == "yes":
        return "Run again: still naive, because the hazard did not show itself."
    spent = {
        Shown.YES: "the hazard showed itself",
        Shown.UNKNOWN: "whether the hazard showed itself is not known, which counts as spent",
        Shown.NO: "the participant was not naive before",
    }[shown]
    who = f"group {group}" if group else "the group"
    rule = {
        "same group next": f"the next participant takes the place in {who}",
        "end of block": f"{who} gets one more at the end of the block",
        "none": f"{who} stays one short",
    }[study.replacement]
    return f"Stop and replace: {spent}; {rule}."

"""One line after a trial: go on, run again, or stop and replace."""

from __future__ import annotations

from monitor.judging.case.trial import Trial
from monitor.judging.rules.exposure import Shown
from monitor.study.model import Study, Trigger
from monitor.study.standing import Standing


def what_now(trial: Trial, shown: Shown, study: Study, group: str | None, standing: Standing | None = None) -> str:
    """What the operator does next, in one sentence; empty while the trial waits or is still open and unspoilt.

    A participant counts as spent unless the evidence says that the hazard did not show itself. `standing` is how far
    the study was when the run began; the call on an undecided trial is not told of it, since need must not sway it.
    """
    if trial.effective == "valid":
        return "Go on: the trial is valid."
    if trial.stage in ("armed", "fired") and trial.effective == "undecided":
        return ""
    trigger = next((one for one in study.triggers if one.name == trial.trigger), None)
    if trigger is not None and trigger.comes_often and trigger.surprise_class is None:
        return _of_events(trial, trigger)
    if trial.timing.result == "double":
        return f"Go on: this fire was one too many; the first trial of {trial.trigger} is the one that counts."
    if trial.effective == "undecided":
        return f"Your call on {_open_points(trial)}: rule it valid or invalid, with a reason."
    if shown is Shown.NO and trial.naive == "yes":
        _, said = _needs(trial.trigger, study, group, standing)
        return f"Run again: still naive, because {_why_naive(trial)}{f'; {said}' if said else ''}."
    return f"Stop and replace: {_why_spent(trial, shown, study)}; {_replacement(trial, study, group, standing)}."


def _of_events(trial: Trial, trigger: Trigger) -> str:
    """After a lost event of many that surprise nobody: the drive goes on, and nobody is replaced for one of them."""
    if trial.effective == "undecided":
        return f"Your call on {_open_points(trial)}: rule it valid or invalid, with a reason."
    wanted = trigger.expected
    if trial.timing.result == "double" and wanted != "any":
        return f"Go on: this fire was one more than the {wanted} of this drive, and does not count."
    lost = f"number {trial.occurrence} of {trial.trigger} is lost"
    if wanted == "any":
        return f"Go on: {lost}; the next one counts again."
    left = wanted - trial.occurrence
    if left > 0:
        return f"Go on: {lost}; {left} of {wanted} {'is' if left == 1 else 'are'} still to come."
    return f"Go on: {lost}; it was the last of {wanted}."


def _open_points(trial: Trial) -> str:
    """What an undecided verdict hangs on: doubtful findings by code, else the conditions that are open."""
    doubts = list(dict.fromkeys(one.code for one in trial.findings if one.severity == "doubtful"))
    points = doubts or [one.name for one in trial.conditions if one.required and one.result == "undecided"]
    return ", ".join(points) or "this trial"


def _why_naive(trial: Trial) -> str:
    if trial.timing.result == "not reached":
        return "the drive ended before the trigger"
    if trial.fired_at is None:
        return "the trigger did not fire and nothing of its hazard showed"
    return "nothing of the hazard showed and no alert was given"


def _why_spent(trial: Trial, shown: Shown, study: Study) -> str:
    if trial.naive == "no" and study.reasons["not-naive"].severity != "note":
        return "the participant had met a surprise of this class before"
    if shown is Shown.YES:
        return "the hazard showed itself"
    if shown is Shown.UNKNOWN:
        return "whether the hazard showed itself is not known, which counts as spent"
    return "whether the participant was naive before is not known, which counts as spent"


def _replacement(trial: Trial, study: Study, group: str | None, standing: Standing | None) -> str:
    """What the study's rule says of the place that is free again, and how many the group needs. Never whose turn is
    next."""
    who = f"group {group}" if group else "the group"
    needs, said = _needs(trial.trigger, study, group, standing)
    if needs == 0:
        place = f"nobody has to take the place, {said}"
    else:
        place = (
            "a further participant takes the next lot"
            if standing is not None and standing.sealed
            else {
                "same group next": f"the next participant takes the place in {who}",
                "end of block": f"{who} gets one more at the end of the block",
                "none": f"{who} stays one short",
            }[study.replacement]
        )
        place = f"{place}; {said}" if said else place
    return place


def _needs(trigger: str, study: Study, group: str | None, standing: Standing | None) -> tuple[int | None, str]:
    """How many valid trials the group still needs, and that as a clause; None and "" where it is not known."""
    if standing is None or group is None or group not in study.groups:
        return None, ""
    valid, planned = standing.valid_of(trigger, group), study.groups[group].planned
    if valid is None:
        return None, ""
    if planned is None:
        return None, f"group {group} has {valid} valid"
    if valid >= planned:
        return 0, f"group {group} has its {planned} valid already"
    return planned - valid, f"group {group} has {valid} of {planned} valid and needs {planned - valid} more"

"""Why a trial came out as it did: the condition time line, the nearest miss, the bands that would have passed.

Pure functions of a record that was read (`RecordMap`); conditions are only ever judged by `judging`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from monitor.errors import WitnessError
from monitor.judging.blinding import hide_times, masked_from
from monitor.judging.case.case import trial_window
from monitor.judging.case.conditions import judge_condition
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import ConditionResult, Trial
from monitor.judging.case.values import Cast
from monitor.judging.occasion import wanted
from monitor.replay.explain.words import (
    DriveTold,
    NearMiss,
    condition_sentence,
    fire_sentences,
    last_in_band,
    near_miss,
    needed_sentence,
)
from monitor.replay.lines.bands import Asked, NeededBand, needed_band
from monitor.replay.lines.line import ConditionLine
from monitor.replay.lines.rows import rows_of_trigger
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.study.model import Study, Trigger


@dataclass(frozen=True, slots=True)
class Explanation:
    """One trial explained. Times in seconds of the drive."""

    trial: Trial
    trigger: Trigger
    line: ConditionLine
    start_t: float
    end_t: float
    """First and last frame of the drive."""
    anchor_t: float
    """The fire; where there was none, the instant at which its rule held; else the drive's end."""
    conditions: tuple[ConditionResult, ...]
    """At the fire; for a fire that did not come, as they would have been judged at the instant expected."""
    why: tuple[str, ...]
    nearest: NearMiss | None
    needed: tuple[NeededBand, ...]
    enough: tuple[str, ...]
    """What would have made the trial valid, a sentence each; none for a valid one."""


def explain_trial(found: RecordMap, playback: Playback, trial_id: str) -> Explanation:
    """Explains a trial of a record that has been read to its end. Raises `WitnessError` for a trial it does not have.

    `playback` is moved, to the trial and nowhere else; it must not be one that a screen shows.
    """
    whole = playback.whole_record()
    judged = whole.trials()
    trials = {trial.id: trial for trial in judged}
    trial = trials.get(trial_id)
    if trial is None:
        raise WitnessError(f"{found.path} has no trial {trial_id}; it has {', '.join(trials) or 'none'}.")
    trigger = next(one for one in found.study.triggers if one.name == trial.trigger)
    log = whole.drives[trial.drive - 1].log
    line = found.lines.get((trial.drive, trial.trigger))
    if line is None:
        line = ConditionLine(trial.drive, trial.trigger, rows_of_trigger(trigger), log.period_s)
    end_t = log.newest_t if log.end_t is None or math.isnan(log.end_t) else log.end_t
    expected = trial.timing.expected_at
    anchor_t = trial.fired_at if trial.fired_at is not None else expected if expected is not None else end_t
    asked = asked_of_trial(found, playback, trial, trigger, anchor_t)
    conditions = trial.conditions
    if trial.fired_at is None:
        conditions = tuple(judge_condition(one.condition, one.stretch, one.fired_at, one.cast) for one in asked)
    needed = tuple(
        needed_band(one)
        for one, result in zip(asked, conditions, strict=False)
        if result.result == "not met" and result.required
    )
    hidden_from = masked_from(judged, trial.drive)
    until_t = math.inf if hidden_from is None else hidden_from
    told = DriveTold(
        lost=sum(one.before_t <= until_t for one in log.lost_markers(found.read_to_number)),
        end_t=end_t,
        end_words=log.end_kind or "the record ends there",
        wanted=wanted(trigger, log),
    )
    if hidden_from is not None:
        # when anything came to pass after that fire tells how the car was driven after it
        line, end_t, told = cut_off(line, hidden_from), hidden_from, told._replace(end_words="by what is hidden")
    is_after = trial.hidden_after is not None
    nearest = None if is_after else near_miss(line, anchor_t, fired=trial.fired_at is not None)
    why = fire_sentences(trial, trigger, line, told)[: 1 if is_after else None]
    why += _condition_sentences(trial, conditions, line, anchor_t)
    why += [finding.sentence for finding in trial.findings if finding.severity != "note" and not _of_fire(finding.code)]
    if hidden_from is not None:
        why = [hide_times(sentence, hidden_from) for sentence in why]
    return Explanation(
        trial=trial,
        trigger=trigger,
        line=line,
        start_t=log.first_t,
        end_t=end_t,
        anchor_t=min(anchor_t, end_t),
        conditions=conditions if expected is not None or trial.fired_at is not None else (),
        why=tuple(dict.fromkeys(why)),
        nearest=nearest,
        needed=needed,
        enough=tuple(_enough(found.study, trial, conditions, needed)),
    )


def asked_of_trial(
    found: RecordMap, playback: Playback, trial: Trial, trigger: Trigger, anchor_t: float
) -> list[Asked]:
    """The trigger's conditions with the frames on which they were judged; none where there was no instant to judge."""
    if trial.fired_at is None and trial.timing.expected_at is None:
        return []
    track = found.done_tracks.get((trial.drive, trial.trigger, trial.occurrence))
    start_s, last_s = trial_window(trigger)
    number = found.read_to_number
    if trial.fired_at is not None and track is not None and track.final_at is not None:
        number = track.final_at
    elif trial.fired_at is None:
        # the frames about the instant are still there a little after it, and not at the drive's end
        playback.go_to(found.surely_after(trial.drive, anchor_t + last_s + 1.0))
        number = playback.number
    playback.go_to_number(number)
    log: DriveLog = playback.session.drives[trial.drive - 1].log
    stretch = cut_stretch(log, anchor_t + start_s, anchor_t + last_s, number)
    if stretch is None:
        return []
    held_id = trial.role_id.get(trigger.role, -1)
    if trial.fired_at is None:
        at = stretch.last_at(anchor_t)
        held_id = int(stretch.lead_id[at]) if at >= 0 else -1
    cast = Cast(found.study.roles, trigger.role, held_id)
    return [Asked(one, stretch, anchor_t, cast) for one in trigger.conditions]


def _of_fire(code: str) -> bool:
    """Findings that `fire_sentences` has said already, in more words."""
    return code in ("trigger-missed", "trigger-not-reached", "fired-early", "fired-late", "fired-twice")


def _condition_sentences(
    trial: Trial, conditions: tuple[ConditionResult, ...], line: ConditionLine, anchor_t: float
) -> list[str]:
    if not conditions or (trial.fired_at is None and trial.timing.expected_at is None):
        return []
    before = {row.name: row.before_fire for row in line.rows if row.part == "condition"}
    required = [one for one in conditions if one.required]
    if trial.fired_at is None:
        # what comes after a fire that never came cannot be asked
        required = [one for one in required if before.get(one.name, True)]
    failed = [one for one in required if one.result == "not met"]
    unknown = [one for one in required if one.result == "undecided"]
    said = []
    if not failed and not unknown:
        had = "were met at the fire" if trial.fired_at is not None else "would have been met"
        said.append(f"All {len(required)} required conditions {had}.")
    when = "at the fire" if trial.fired_at is not None else "at that instant"
    for one in failed:
        asked = next((row.asked for row in line.rows if row.name == one.name and row.part == "condition"), "")
        said.append(condition_sentence(one, when if asked == "at the fire" else f"({asked})"))
        if asked == "at the fire" and trial.hidden_after is None:
            said.append(last_in_band(line, one.name, anchor_t))
    said += [f"{one.name} could not be decided: {one.state or 'frames are missing'}." for one in unknown]
    return [sentence for sentence in said if sentence]


def _enough(
    study: Study, trial: Trial, conditions: tuple[ConditionResult, ...], needed: tuple[NeededBand, ...]
) -> list[str]:
    """What would have made the trial valid."""
    if trial.verdict == "valid":
        return []
    by_name = {one.name: one for one in conditions}
    said = [needed_sentence(one, by_name[one.condition]) for one in needed] if trial.fired_at is not None else []
    if trial.fired_at is None:
        said.append("No band would have made it valid: the trigger did not fire.")
    for finding in trial.findings:
        if finding.severity == "void" and trial.fired_at is not None:
            said.append(f"No band changes {finding.code}: {_words(study, finding.code)}.")
        elif finding.severity == "doubtful":
            said.append(f"{finding.code} is for you to rule on: {_words(study, finding.code)}.")
    return said


def _words(study: Study, code: str) -> str:
    reason = study.reasons.get(code)
    return reason.words[:1].lower() + reason.words[1:] if reason else code


def cut_off(line: ConditionLine, at_t: float) -> ConditionLine:
    """The line up to an instant, as if the drive had ended there."""
    spells = []
    for spell in line.spells:
        if spell.start_t > at_t:
            break
        if spell.end_t > at_t:
            # its numbers are the best of the whole spell: even that one of them came later would tell
            nothing = [math.nan] * len(line.rows)
            spell = replace(spell, end_t=at_t, margin=nothing, value=nothing, margin_t=nothing)
        spells.append(spell)
    return replace(line, spells=spells)

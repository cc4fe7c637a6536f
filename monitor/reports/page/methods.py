"""The methods of a study in words, with its own figures, as they can stand in a paper."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor import __version__
from monitor.archive.gathering import StudyRuns, count
from monitor.reports.comparison.groups import MEASURES
from monitor.reports.comparison.plan import Analysis
from monitor.reports.forecast.standing import Invited
from monitor.study.model import AtFire, Condition, During, Study, Trigger
from monitor.study.rules import ResponseRule

TESTS = {
    "log-rank": "the log-rank test",
    "gehan": "the log-rank test with Gehan's weights",
    "ranks": "the Kruskal-Wallis test, two groups by the exact Mann-Whitney test",
}


def methods(
    study: Study, one: StudyRuns, trigger: Trigger, analysis: Analysis | None, invited: Sequence[Invited]
) -> list[str]:
    """Paragraphs."""
    return [
        f"{_judging(study, trigger)} {_files(study, one)}",
        _participants(one, trigger, invited),
        *([_response(trigger.response)] if trigger.response else []),
        *_analysis(one, analysis),
    ]


def _judging(study: Study, trigger: Trigger) -> str:
    required = [_condition(condition) for condition in trigger.conditions if condition.required]
    asked = f"its conditions were met ({'; '.join(required)})" if required else "nothing spoke against it"
    alert = " and the group's alert was given in time" if trigger.alert is not None else ""
    naive = "" if trigger.surprise_class is None else ", and if the participant was naive to the surprise"
    return (
        f"Trials were judged by an independent monitor (trialwitness {__version__}), which recorded the simulator's "
        f"telemetry as it came and computed every measure itself. A trial of {trigger.name} was valid if "
        f"{asked}{alert}{naive}. Validity was decided from what happened before and around the trigger and never from "
        "the response."
    )


def _files(study: Study, one: StudyRuns) -> str:
    """By which study file the runs were judged; where by several, what of all this describes one of them only."""
    others = [part for part in one.files if part.study.sha256 != study.sha256]
    if not others:
        return f"The study file has the SHA-256 digest {study.sha256}."
    told = "; ".join(f"{part.study.sha256} ({count(part.runs, 'run')})" for part in others)
    own = sum(part.runs for part in one.files) - sum(part.runs for part in others)
    return (
        "The study file was changed during the study. Conditions, response and comparison are described as in the "
        f"file with the SHA-256 digest {study.sha256}, by which {count(own, 'run')} "
        f"{'was' if own == 1 else 'were'} judged; the others were judged by {told}."
    )


def _participants(one: StudyRuns, trigger: Trigger, invited: Sequence[Invited]) -> str:
    came = {what: sum(each.came == what for each in invited) for what in ("valid", "lost", "waiting")}
    trials = [trial for run in one.runs for trial in run.trials if trial.trigger == trigger.name]
    ruled = [trial for trial in trials if trial.ruled]
    changed = sum(trial.effective != trial.verdict for trial in ruled)
    verb = "waits" if came["waiting"] == 1 else "wait"
    waiting = f", {came['waiting']} {verb} for a ruling" if came["waiting"] else ""
    lost = f"{came['lost']} {'was' if came['lost'] == 1 else 'were'} lost"
    rulings = (
        f"A person ruled on {count(len(ruled), 'trial')} and came to another verdict on {changed}."
        if ruled
        else "No person ruled on a trial."
    )
    blind = " The response was hidden until the ruling." if one.study.blind else ""
    return (
        f"Of {count(len(invited), 'participant')} in a session {came['valid']} gave a valid trial, {lost}{waiting}. "
        f"Lost participants are replaced by the rule: {one.study.replacement}. {rulings}{blind}"
    )


def _response(rule: ResponseRule) -> str:
    if rule.signs:
        signs = "; ".join(f"{one.name} ({one.measure.text} {one.band.words(one.measure.unit)})" for one in rule.signs)
        what = f"the first of these to come: {signs}"
    else:
        what = (
            f"release of the accelerator where the fall begins that takes it more than {rule.accelerator_fall:g} of "
            f"its travel below where it stood at the origin, brake onset where the pedal exceeds "
            f"{rule.brake_threshold:g}, steering onset where the wheel is more than {rule.steering_threshold_rad:g} "
            f"rad off its mean over the {rule.baseline_s:g} s before the origin"
        )
    return (
        f"The response was timed from {rule.origin}, for {rule.horizon_s:g} s, in all groups alike: {what}. Who did "
        "not respond, or had contact first, is kept as a valid trial with a censored time."
    )


def _analysis(study: StudyRuns, one: Analysis | None) -> Iterator[str]:
    if study.study.treatments:
        yield (
            "The treatments were given within participants. This monitor compares none of them: its tests are for "
            "groups of different participants."
        )
    elif one is not None:
        yield _comparison(one)


def _comparison(one: Analysis) -> str:
    if one.contrasts is None:
        pairs = "all pairs of groups"
    else:
        pairs = "the contrasts " + ", ".join(f"{second} against {first}" for first, second in one.contrasts)
    fixed = "was fixed in the study file" if one.fixed else "was not fixed in the study file"
    return (
        f"The comparison {fixed}: {MEASURES[one.measure][1]} up to {one.horizon_s:g} s by {TESTS[one.test]}, {pairs}, "
        f"p values adjusted after Holm; the share that responded by {one.within_s:g} s with Wilson's interval. A "
        "contact before the response is also taken as a competing event (Aalen & Johansen) and as the worst rank."
    )


def _condition(one: Condition) -> str:
    first, *others = one.alternatives
    limits = first.band.words(first.measure.unit)
    limits += "".join(f" or {other.measure.text} {other.band.words(other.measure.unit)}" for other in others)
    when = one.when
    if isinstance(when, AtFire):
        time = "at the fire"
    elif isinstance(when, During):
        share = "throughout" if when.share >= 1.0 else f"for {when.share:.0%} of the time"
        time = f"{share} from {when.start_s:g} to {when.end_s:g} s about the fire"
    else:
        time = f"within {when.limit_s:g} s and held for {when.held_s:g} s"
    return f"{one.name} {limits} {time}"

"""Whether the feed can be believed about a trial: what was lost on the way, and what does not belong there.

The simulator's own time is judged in `frame_timing`, channels that do not fit together in `disagreement`, the motion
platform in `platform`, other clocks in `clocks`.
"""

from __future__ import annotations

from monitor.judging.case.case import Case, needed_from_s, needed_until_s
from monitor.judging.case.received import MARKER_DELAY_S, CountStep
from monitor.judging.case.trial import Finding
from monitor.judging.rules.clocks import judge_clocks
from monitor.judging.rules.frame_timing import judge_stepping


def judge_feed(case: Case, *, hazard_came: bool) -> list[Finding]:
    """All findings about the feed inside the trial's window. `hazard_came`: nobody waits for the hazard any more."""
    return [
        *_gaps(case),
        *_set_backs(case),
        *_cut(case, hazard_came=hazard_came),
        *_markers(case),
        *_pauses(case),
        *_other_triggers(case),
        *judge_stepping(case),
        *judge_clocks(case),
    ]


def _gaps(case: Case) -> list[Finding]:
    stretch = case.stretch
    if stretch is None:
        return [case.finding("witness-gap", "No frame was received about the trigger.", case.fired_at)]
    losses = [loss for loss in stretch.losses if loss.count and loss.touches(case.start_t, case.end_t)]
    if losses:
        count = sum(loss.count for loss in losses)
        sentence = (
            f"{count} {'frame' if count == 1 else 'frames'} did not reach the recorder between {losses[0].after_t:.2f} "
            f"and {losses[-1].before_t:.2f} s, inside the trial's window."
        )
        return [case.finding("witness-gap", sentence, losses[0].after_t)]
    needed_t = case.fired_at + needed_from_s(case.trigger)
    if stretch.covered_from > needed_t + stretch.period_s:
        sentence = (
            f"Recording began at {stretch.covered_from:.2f} s; the conditions look back to {needed_t:.2f} s, "
            f"{stretch.covered_from - needed_t:.2f} s earlier."
        )
        return [case.finding("witness-gap", sentence, max(needed_t, 0.0))]
    return []


def _set_backs(case: Case) -> list[Finding]:
    """Numbers or a clock that did not go on, where that touches the trial's window."""
    for one in case.drive.set_backs:
        if one.number > case.number or one.after_t > case.end_t:
            continue
        if one.what == "clock" and one.to > one.before:
            # what lies inside the window is judged by how the picture went on
            inside = one.after_t >= case.start_t and one.to <= case.end_t
            if one.to >= case.start_t and not inside:
                sentence = (
                    f"The simulation's clock jumped from {one.before:.2f} to {one.to:.2f} s; nothing is known of the "
                    "time between."
                )
                return [case.finding("clock-jumped", sentence, one.to)]
        elif one.after_t < case.start_t - case.drive.period_s:
            continue
        elif one.what == "clock":
            sentence = (
                f"The simulation's clock went back from {one.before:.2f} to {one.to:.2f} s: frames are judged again "
                "when it has passed where it was."
            )
            return [case.finding("clock-jumped", sentence, one.after_t)]
        else:
            sentence = (
                f"The frames' numbers went back from {one.before:.0f} to {one.to:.0f} at {one.after_t:.2f} s while "
                "time went on: the feed's contract takes them for old frames, and they are not judged."
            )
            return [case.finding("sequence-reset", sentence, one.after_t)]
    return []


def out_of_time(case: Case) -> list[Finding]:
    """The finding that the simulation's clock had gone back when the trigger fired: then nothing that happened about
    the trial can be put into its time."""
    for one in case.drive.set_backs:
        back = one.what == "clock" and one.to < one.before
        if back and one.number <= case.marker.number and case.fired_at <= one.after_t:
            sentence = (
                f"The simulation's clock had gone back from {one.before:.2f} to {one.to:.2f} s when the trigger fired: "
                "nothing about this trial can be put into its time."
            )
            return [case.finding("clock-jumped", sentence, case.fired_at)]
    return []


def out_of_sight(case: Case) -> list[Finding]:
    """The finding that the trigger fired while no frame came in, so that when it fired is not known: its sender saw
    only that its signal had changed since the frame before."""
    if case.is_fire_seen:
        return []
    earliest_t = case.marker.not_before
    sentence = (
        f"The trigger fired between {earliest_t:.2f} and {case.fired_at:.2f} s: the frames in which its signal changed "
        "were lost, so nothing that is counted from the fire is known."
    )
    return [case.finding("witness-gap", sentence, earliest_t)]


def _cut(case: Case, *, hazard_came: bool) -> list[Finding]:
    stretch = case.stretch
    end_t = case.fired_at + needed_until_s(case.trigger, hazard_came=hazard_came)
    if stretch is None or not case.over or stretch.covered_to >= end_t - 1.5 * stretch.period_s:
        return []
    sentence = (
        f"The drive ended at {stretch.covered_to:.2f} s, before the trial had been seen to its end at {end_t:.2f} s."
    )
    return [case.finding("window-cut", sentence, stretch.covered_to)]


def _markers(case: Case) -> list[Finding]:
    findings = []
    overdue = [step for step in case.lost if _meets(step, case) and _is_overdue(step, case)]
    # apart, because what was lost after the fire may tell of the driver: who responds leaves the task
    for lost in (
        [step for step in overdue if step.before_t <= case.fired_at],
        [step for step in overdue if step.before_t > case.fired_at],
    ):
        if not lost:
            continue
        count = len(lost)
        sentence = (
            f"{count} {'marker' if count == 1 else 'markers'} sent until {lost[-1].before_t:.2f} s did not arrive; "
            "what they said is not known."
        )
        findings.append(case.finding("marker-lost", sentence, lost[0].before_t))
    late = [marker for marker in case.markers if marker.late and case.start_t <= marker.t <= case.end_t]
    if late:
        sentence = (
            f"The marker {late[0].kind} {late[0].name} of {late[0].t:.2f} s came {late[0].newest_t - late[0].t:.1f} s "
            "late, more than the 2 s that the feed promises."
        )
        findings.append(case.finding("marker-late", sentence, late[0].t))
    return findings


def _meets(step: CountStep, case: Case) -> bool:
    return not (step.before_t < case.start_t or step.after_t > case.end_t)


def _is_overdue(step: CountStep, case: Case) -> bool:
    return case.over or case.now_t >= step.before_t + MARKER_DELAY_S


def _pauses(case: Case) -> list[Finding]:
    for marker in case.of_kind("pause"):
        if case.start_t < marker.t < case.end_t:
            sentence = f"The simulation was paused at {marker.t:.2f} s, inside the trial's window."
            return [case.finding("paused-in-window", sentence, marker.t)]
    return []


def _other_triggers(case: Case) -> list[Finding]:
    known = {trigger.name for trigger in case.study.triggers}
    for marker in case.of_kind("trigger"):
        if marker.name not in known and case.start_t <= marker.t <= case.end_t:
            sentence = (
                f"A trigger {marker.name} that the study does not list fired at {marker.t:.2f} s, inside the window."
            )
            return [case.finding("trigger-unknown", sentence, marker.t)]
    return []

"""Why a trial is lost, doubtful or noted: the codes that findings carry and rulings choose from.

Severities follow common practice (no source): what makes the exposure another one than was scripted is void, what may
have done so is doubtful, what the analyst should only know is a note. A study file may set other words and severities
and add codes. Two kinds of loss are kept apart: what the witness lost on its own side is doubtful, since the
participant did not see it; what the simulator lost is void, since the participant did.
"""

from __future__ import annotations

from monitor.study.model import Known, Reason, Severity

_FINDINGS: tuple[tuple[str, Severity, str], ...] = (
    # Conditions and fire timing
    ("condition-not-met", "void", "A required condition did not hold"),
    ("fired-early", "void", "The trigger fired before its rule held"),
    ("fired-late", "doubtful", "The trigger fired later after its rule held than sampling explains"),
    ("timing-unsure", "doubtful", "Whether the trigger fired when its rule held cannot be told"),
    ("fired-twice", "void", "The trigger had fired before in this drive"),
    ("fired-too-soon", "void", "The trigger fired within its refractory time"),
    ("fired-unexpected", "void", "The trigger fired in a drive that should not fire it"),
    ("trigger-missed", "void", "The trigger's rule held and it did not fire"),
    ("fire-untold", "doubtful", "The trigger's rule held, its hazard came, and no marker told that it fired"),
    ("trigger-not-reached", "void", "The drive ended and the trigger's rule had never held"),
    ("trigger-unknown", "doubtful", "A trigger fired that the study does not list"),
    # The scripted hazard and the vehicles in it
    ("hazard-missing", "void", "The scripted hazard does not show in the telemetry"),
    ("hazard-unsure", "doubtful", "Whether the scripted hazard came, or when it began, cannot be told"),
    ("hazard-weak", "doubtful", "The scripted hazard stayed below the level that marks its onset"),
    ("hazard-profile", "void", "The scripted hazard had another level, ramp or hold than the study asks for"),
    ("lead-changed", "doubtful", "Another vehicle became the nearest ahead while the trial ran"),
    ("collision-before-fire", "void", "There was a collision before the trigger fired"),
    ("curved-path", "note", "The road bends where the event took place"),
    # The alert
    ("alert-wrong", "void", "Another alert was given than the one assigned"),
    ("alert-missing", "void", "The assigned alert was not given"),
    ("alert-not-produced", "void", "The alert was commanded, and no sensor saw it"),
    ("alert-late", "doubtful", "The alert came later than the study allows"),
    ("alert-early", "doubtful", "The alert came sooner than the study allows"),
    ("alert-before-fire", "void", "An alert was still on when the trigger fired"),
    ("alert-unaccounted", "doubtful", "An alert was given that no trigger accounts for"),
    ("alert-doubled", "doubtful", "The alert was given more than once"),
    ("alert-unknown", "doubtful", "It is not known which alert was given"),
    ("alert-short", "note", "The alert was shorter than the study asks for"),
    ("alert-long", "note", "The alert was longer than the study asks for"),
    ("treatment-mismatch", "void", "The simulator gave another treatment than the participant's order says"),
    # The visual task
    ("task-missing", "void", "The visual task was not running when the trigger fired"),
    ("task-late", "doubtful", "The visual task began too shortly before the trigger"),
    ("task-early", "doubtful", "The visual task began too long before the trigger"),
    ("task-ended-early", "doubtful", "The visual task ended too soon"),
    ("task-items", "doubtful", "The visual task showed another number of items than the study asks for"),
    ("task-spacing", "doubtful", "The items of the visual task were not spaced as the study asks for"),
    ("task-score", "doubtful", "The answers to the visual task were worse than the study asks for"),
    ("eyes-called", "note", "Where the participant looked was called by the operator"),
    # The driver before the hazard
    ("braking-before-hazard", "void", "The driver was braking before the hazard began"),
    ("braking-unsure", "doubtful", "The driver may have been braking before the hazard began"),
    ("pedals-not-measured", "doubtful", "Pedals that the study looks at before the hazard are not in the feed"),
    ("accelerator-released-before", "doubtful", "The driver had left the accelerator before the hazard began"),
    ("two-footed", "note", "The driver pressed both pedals at once"),
    ("comfort-high", "void", "A comfort rating had reached the facility's stop rule"),
    # Exposure, and who drives what
    ("not-naive", "void", "The participant has met a surprise of this class before"),
    ("naive-unknown", "doubtful", "It is not known whether the participant has met a surprise of this class before"),
    ("group-mismatch", "void", "The simulator ran another group than the one assigned"),
    ("group-unknown", "doubtful", "It is not known which group the participant belongs to"),
    ("participant-mismatch", "doubtful", "The simulator names another participant than the plan"),
    ("scenario-mismatch", "void", "The simulator names a scenario that is not in the plan"),
    # The feed: on our side, and the simulator's own
    ("witness-gap", "doubtful", "Messages were lost on the monitor's side where they were needed"),
    ("window-cut", "doubtful", "The drive ended before the trial had been seen to its end"),
    ("marker-lost", "doubtful", "A marker was counted by the simulator and never arrived"),
    ("marker-late", "note", "A marker arrived later than the feed allows"),
    ("display-stutter", "void", "The simulator's picture stopped or jumped for the participant"),
    ("frame-late", "note", "A frame came later than its period, too little to be seen"),
    ("clock-jumped", "doubtful", "The simulation's time jumped while the picture went on"),
    ("sequence-reset", "doubtful", "The frames' numbers were set back, and frames were taken for old ones"),
    ("slow-motion", "doubtful", "Simulated time ran slower or faster than real time"),
    ("frame-jitter", "note", "Frames came at irregular steps of simulated time"),
    ("rate-mismatch", "note", "Frames come at another rate than the simulator says"),
    ("paused-in-window", "void", "The simulator was paused while the trial ran"),
    ("clock-drift", "doubtful", "Clocks of the feed moved apart"),
    ("clock-unsure", "doubtful", "The clock of a further source is not known well enough to tell"),
    ("source-unheard", "note", "A further source told nothing of the trial, or not when"),
    # Channels held against each other
    ("channels-disagree", "doubtful", "Two channels tell otherwise of the same thing"),
    ("body-changed", "doubtful", "A vehicle's length, width or name changed under the same id"),
    ("channel-frozen", "doubtful", "A channel kept the same value while the car was moving"),
    ("signal-implausible", "doubtful", "A signal changed as no person does, or never"),
    ("unit-implausible", "doubtful", "A channel seems to be in another unit"),
    ("axis-implausible", "doubtful", "A channel seems to have the opposite sign"),
    ("implausible-jump", "doubtful", "A channel jumped further than a vehicle can move"),
    ("pedal-saturated", "doubtful", "A pedal channel sat at its end"),
    ("pedal-offset", "doubtful", "A pedal channel was not zero at rest"),
    ("wheel-offset", "note", "The steering wheel's channel was not zero on a straight way"),
    # The motion platform
    ("platform-limit", "note", "The motion platform reached a limit"),
    ("platform-stopped", "void", "The motion platform stopped while the trial ran"),
)

_OPERATOR: tuple[tuple[str, Severity, str], ...] = (
    ("confirmed", "note", "Looked at, and the computed verdict stands"),
    ("judged-harmless", "note", "Looked at, and without effect on what the participant met"),
    ("monitor-mistaken", "note", "The monitor is mistaken, as the words explain"),
    ("deviation-accepted", "note", "It deviated as the monitor says and is accepted, as the words explain"),
    ("participant-unwell", "void", "The participant felt unwell"),
    ("participant-withdrew", "void", "The participant ended the drive"),
    ("participant-talked", "doubtful", "The participant was talking"),
    ("expected-it", "note", "The participant says that the event was expected"),
    ("eyes-up", "void", "The participant was seen to look at the road"),
    ("unsteady-practice", "note", "The participant drove unsteadily in practice"),
    ("interruption", "doubtful", "Something interrupted the drive: door, telephone, intercom"),
    ("operator-error", "doubtful", "The control room made a mistake"),
    ("instruction-error", "doubtful", "The participant had been told something wrong, or had misunderstood"),
    ("equipment", "doubtful", "A device failed"),
    ("emergency-stop", "void", "The emergency stop was used"),
    ("other", "note", "Another reason, as the words explain"),
)


_REVEAL = frozenset(
    (
        *("task-ended-early", "task-items", "task-score", "window-cut", "platform-limit", "platform-stopped"),
        *("marker-lost", "marker-late"),
    )
)
"""Findings that look past the fire at what the driver did, or at what moves with it: who responds leaves the task, the
platform moves with own braking, and a contact ends the drive; each of them sends a marker, and when it did is when a
lost or a late one was sent."""

WHEN_REVEALS = frozenset(("lead-changed",))
"""Findings of which only the time after the fire tells of the driver: which vehicle cuts in is scripted, and that it is
between, or out of the feed, from now on comes of where the own car is."""

_KNOWN: dict[Known, tuple[str, ...]] = {
    "before": (
        *("condition-not-met", "collision-before-fire", "group-unknown", "not-naive", "naive-unknown"),
        *("group-mismatch", "participant-mismatch", "scenario-mismatch"),
        *("braking-before-hazard", "accelerator-released-before", "two-footed"),
        *("comfort-high", "participant-unwell", "emergency-stop"),
        *("lead-changed", "witness-gap", "marker-late", "marker-lost", "paused-in-window", "trigger-unknown"),
        *("display-stutter", "slow-motion", "frame-jitter", "rate-mismatch"),
        *("clock-drift", "clock-unsure", "source-unheard"),
        *("channel-frozen", "unit-implausible", "axis-implausible", "implausible-jump", "channels-disagree"),
        *("body-changed", "signal-implausible", "pedals-not-measured", "braking-unsure"),
        *("clock-jumped", "sequence-reset", "frame-late"),
        *("pedal-saturated", "pedal-offset", "wheel-offset", "platform-limit", "platform-stopped"),
    ),
    "at": (
        *("fired-early", "fired-late", "fired-twice", "fired-unexpected", "trigger-missed", "curved-path"),
        *("task-missing", "task-late", "task-early", "eyes-called", "timing-unsure"),
    ),
}
"""When a finding can be known at the earliest; all others come of what happens after the fire. What can be known before
it must not stand under READY."""


def _reasons(rows: tuple[tuple[str, Severity, str], ...]) -> dict[str, Reason]:
    known = {code: when for when, codes in _KNOWN.items() for code in codes}
    return {
        code: Reason(code, words, severity, code in _REVEAL, known.get(code, "after")) for code, severity, words in rows
    }


FINDING_REASONS: dict[str, Reason] = _reasons(_FINDINGS)
"""Codes that judging gives to findings; a ruling may choose them too."""

OPERATOR_REASONS: dict[str, Reason] = _reasons(_OPERATOR)
"""Codes that only an operator can give, because nothing of them is in the telemetry."""

BUILT_IN_REASONS: dict[str, Reason] = {**FINDING_REASONS, **OPERATOR_REASONS}

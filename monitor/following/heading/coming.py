"""What concerns the trial that comes: can it be had, is it being lost, does something still have to come right?

READY is a promise: nothing that is known would make the trial anything but valid. What nobody can foresee is named.
"""

from __future__ import annotations

from monitor.following.coming.view import Doubt, OutlookRow, OutlookView
from monitor.following.heading.model import Heading
from monitor.following.heading.run import NOT_RECORDING
from monitor.following.view import LiveView
from monitor.following.words import verdict_word

AHEAD_S = 30.0
"""What is being lost is said from here on; another person, group or scenario than planned at once."""


def saved(view: LiveView) -> Heading | None:
    """A trial was lost and has surprised nobody: how long arming again helps, or that it cannot be run again here."""
    one = view.saved
    told = {trial.id for trial in view.trials if verdict_word(trial) == "INVALID"} if one is not None else set()
    if one is None or (not one.words and one.trial in told):
        return None  # that it cannot be run again here is said with its verdict
    word = "NOT FIRED" if one.overdue else "STILL NAIVE"
    sentence = one.why
    if not one.words:
        return Heading(
            "bad", word, sentence=sentence, now=f"{one.trigger} cannot be rerun here; what is next still counts"
        )
    return Heading("bad", word, one.seconds_left, sentence, now=one.now)


def not_yet(view: LiveView) -> Heading | None:
    """Another person, group or scenario than planned, and nobody has said which is right."""
    open_ones = [one for one in view.questions if not one.answer]
    if not open_ones or view.outlook is None:
        return None
    said = "; ".join(f"{one.about}: the simulator says {one.simulator}, ours is {one.ours}" for one in open_ones)
    now = "b answers it: 1 the simulator's is right, 2 ours is right, 3 nobody knows"
    return Heading("bad", "NOT YET", view.outlook.seconds_left, f"{said}.", now, "b answers")


def losing(view: LiveView) -> Heading | None:
    """The coming trial will be anything but valid, whatever the driver does."""
    outlook = view.outlook
    if outlook is None or (outlook.seconds_left is not None and outlook.seconds_left > AHEAD_S):
        return None
    doubts = standing_doubts(outlook)
    rows = [] if outlook.hidden else [one for one in _required(outlook) if one.foreseen == "lost" and one.persists]
    if not doubts and not rows:
        return None
    condition = None if doubts else rows[0].condition.name
    why = doubts[0].sentence.rstrip(".") if doubts else rows[0].why
    more = len(doubts) + len(rows) - 1
    left = outlook.seconds_left
    sentence = f"{outlook.trigger}: {why}{f' (+{more} more)' if more else ''}"
    if left is not None and left <= outlook.action_takes_s:
        now = f"it fires in {max(left, 0.0):.0f} s: too late for anything; it is judged all the same"
        return Heading("bad", "LET IT RUN", left, sentence, now)
    words = outlook.action.words_for(condition) if outlook.action is not None else f"{outlook.trigger} is being lost"
    until = "" if left is None else f" ({max(left - outlook.action_takes_s, 0.0):.0f} s left for it)"
    return Heading("bad", "LOSING", left, sentence, f"{words}{until}")


def standing_doubts(outlook: OutlookView) -> list[Doubt]:
    """Doubts that are told: not those that wait for an answer (they head the screen by themselves), nor doubtful ones
    that were answered, nor what own driving says while another trial is still being answered."""
    return [
        one
        for one in outlook.doubts
        if not (one.at_once and (not one.answered or one.severity != "void"))
        and not (one.by_driving and outlook.in_horizon)
        and not (outlook.hidden and one.conditions)
    ]


def accepted_doubts(outlook: OutlookView) -> list[Doubt]:
    """Doubts that somebody has answered and that void nothing."""
    return [one for one in outlook.doubts if one.answered and one.severity != "void"]


def hold(view: LiveView) -> Heading | None:
    """Something is out of its band, or on its way out, and may still come right."""
    outlook = view.outlook
    if outlook is None or outlook.hidden:
        return None
    rows = [one for one in _required(outlook) if one.foreseen == "fails" and one.persists]
    if not rows:
        return None
    first = min(rows, key=lambda one: float("inf") if one.lost_in_s is None else one.lost_in_s)
    more = f" (+{len(rows) - 1} more)" if len(rows) > 1 else ""
    left = first.lost_in_s
    can = "it may still come right" if left is None else f"it can come right for {max(left, 0.0):.0f} s yet"
    return Heading("wait", "HOLD", outlook.seconds_left, f"{outlook.trigger}: {first.why}{more}", f"wait: {can}")


def hidden(view: LiveView) -> Heading | None:
    """A blind study hides what the next trial depends on."""
    outlook = view.outlook
    if outlook is None or not outlook.hidden:
        return None
    sentence = f"{outlook.trigger} is next; what it depends on is hidden until the ruling."
    return Heading("plain", "HIDDEN", None, sentence, "the trial that fired is blind until it is ruled on: r")


def later(view: LiveView) -> Heading | None:
    """The driver is still answering another trial, and what own driving decides of this one does not hold now; or it is
    one of many events and does not hold now."""
    outlook = view.outlook
    if outlook is not None and outlook.as_it_comes:
        out = [one.condition.name for one in outlook.rows if one.condition.required and one.foreseen != "holds"]
        if not out:
            return None
        sentence = f"{outlook.trigger} comes as it comes; now out: {', '.join(out)}."
        return Heading("plain", "LATER", None, sentence, f"next is {outlook.trigger}")
    if (
        outlook is None
        or not outlook.in_horizon
        or all(one.foreseen == "holds" for one in outlook.rows if one.by_driving)
    ):
        return None
    sentence = f"{outlook.trigger} is next; what own driving decides of it shows itself after the response."
    return Heading("plain", "LATER", outlook.seconds_left, sentence, f"next is {outlook.trigger}")


def ready(view: LiveView) -> Heading | None:
    """Nothing that is known stands against the coming trial; one that is in no record, or void, is none."""
    outlook = view.outlook
    if outlook is None or view.stop is not None or view.recorder.state in NOT_RECORDING:
        return None
    waits = [one.condition.name for one in _required(outlook) if one.foreseen == "to come"]
    waits += outlook.to_come
    said = f"all else holds; still to come: {', '.join(waits)}" if waits else "every condition holds"
    accepted = accepted_doubts(outlook)
    if accepted:
        codes = ", ".join(one.code for one in accepted)
        counted = f"{len(accepted)} doubt{'s' if len(accepted) > 1 else ''} accepted"
        said += f"; {counted} ({codes}): it will be your call"
    left = outlook.seconds_left
    now = f"next is {outlook.trigger}" + ("" if left is None else f", in {left:.0f} s")
    but = f"; READY but for {', '.join(waits)}" if waits else ""
    return Heading("good", "READY", left, f"{outlook.trigger}: {said}", f"{now}{but}")


def no_trigger(view: LiveView) -> Heading | None:
    """It is known that nothing is ahead."""
    if not view.nothing_ahead:
        return None
    return Heading(
        "plain", "NO TRIGGER", sentence="No trigger is ahead in this drive.", now="nothing is ahead in this drive"
    )


def _required(outlook: OutlookView) -> list[OutlookRow]:
    """Rungs that decide and that somebody could act on: inside another trial's horizon without those that own driving
    decides, and none of an event that comes as it comes."""
    if outlook.as_it_comes:
        return []
    return [one for one in outlook.rows if one.condition.required and not (outlook.in_horizon and one.by_driving)]

"""What concerns trials that fired: being judged, their verdicts until seen, and which ones wait for a ruling.

What was seen is an entry of the record, so that every screen and every replay says the same.
"""

from __future__ import annotations

from monitor.following.heading.model import Heading, Tone
from monitor.following.view import LiveView
from monitor.following.words import verdict_sentences, verdict_word
from monitor.judging.case.trial import Trial

GIVES_WAY_S = 15.0
"""A verdict gives way to what comes when the next trigger is so near."""

VERDICT_TONES: dict[str, Tone] = {"valid": "good", "invalid": "bad", "undecided": "wait"}

_ORDINALS = {2: "second", 3: "third", 4: "fourth", 5: "fifth"}


def said_of(trial: Trial) -> tuple[str, str]:
    """What is acknowledged: this trial with this word, so that FIRED and then INVALID are two things to see."""
    return trial.id, verdict_word(trial)


def speaks(trial: Trial) -> bool:
    """True for a trial that has something to say: fired, final, or surely lost; and nobody has ruled on it yet."""
    is_out = trial.stage in ("fired", "final") or (trial.stage == "armed" and trial.verdict == "invalid")
    return is_out and trial.ruling is None


def time_of(trial: Trial) -> tuple[int, float]:
    """Drive and time of a trial."""
    at = trial.fired_at if trial.fired_at is not None else trial.timing.expected_at
    return trial.drive, at if at is not None else float("inf")


def running(view: LiveView) -> Trial | None:
    """The trial that is being judged; of several the newest."""
    found = [one for one in view.trials if speaks(one) and one.fired_at is not None and verdict_word(one) == "FIRED"]
    return max(found, key=time_of, default=None)


def unseen(view: LiveView) -> tuple[Trial, ...]:
    """Verdicts that nobody has acknowledged: those that are not valid first, the oldest of them first, since a later
    one never hides an earlier one; of the valid ones the newest first."""
    found = [
        one for one in view.trials if speaks(one) and verdict_word(one) != "FIRED" and said_of(one) not in view.seen
    ]
    not_valid = sorted((one for one in found if one.effective != "valid"), key=time_of)
    valid = sorted((one for one in found if one.effective == "valid"), key=time_of, reverse=True)
    return (*not_valid, *valid)


def waiting(view: LiveView) -> tuple[Trial, ...]:
    """Trials that wait for somebody, the oldest first: undecided ones for a ruling, invalid ones for being seen."""
    unread = {one.id for one in unseen(view)}
    found = [
        one
        for one in view.trials
        if speaks(one)
        and verdict_word(one) != "FIRED"
        and (one.effective == "undecided" or (one.effective == "invalid" and one.id in unread))
    ]
    return tuple(sorted(found, key=time_of))


def fired(view: LiveView) -> Heading | None:
    """A trial is being judged."""
    trial = running(view)
    if trial is None:
        return None
    return Heading(
        "wait", "FIRED", sentence=_sentence(trial), now=f"{trial.trigger} is being judged; no word to the driver"
    )


def verdict(view: LiveView) -> Heading | None:
    """A verdict that nobody has seen, until the next trigger is near; that one of many counts, until it is over."""
    trials, coming = unseen(view), view.outlook
    left = coming.seconds_left if coming is not None else None
    if not trials or (left is not None and left <= GIVES_WAY_S):
        return None
    if trials[0].effective == "valid" and not trials[0].surprises and coming is not None and not coming.in_horizon:
        return None
    return verdict_heading(trials[0], view)


def verdict_heading(trial: Trial, view: LiveView) -> Heading:
    """The heading for a trial: its verdict, and in one sentence the condition, the value and the band."""
    return Heading(
        VERDICT_TONES[trial.effective],
        verdict_word(trial),
        sentence=_sentence(trial),
        now=trial_now(trial, view),
        hint="t card · a seen",
    )


def trial_now(trial: Trial, view: LiveView) -> str:
    """What to do about a trial that can still be had; else what it means for the drive: replacement is a matter of
    close-out."""
    if view.saved is not None and view.saved.trial == trial.id and view.saved.words:
        return view.saved.now
    lost = dict(view.lost_words).get(trial.id, "")
    if trial.effective == "valid" and verdict_word(trial) == "VALID":
        coming = view.outlook
        return f"{trial.trigger} counts" + (f"; next is {coming.trigger}" if coming is not None else "")
    return lost or trial.what_now or f"{trial.trigger} is being judged"


def to_rule(view: LiveView) -> Heading | None:
    """Trials that wait, or on which two people have ruled differently."""
    if view.contested:
        trial, said = view.contested[0]
        return Heading(
            "wait", "TWO RULINGS", sentence=f"{trial}: {said}.", now="r rules on it again; the last one counts"
        )
    trials = waiting(view)
    if not trials:
        return None
    first = trials[0]
    if first.effective == "invalid":
        return verdict_heading(first, view)
    more = f"; {len(trials) - 1} more {'wait' if len(trials) > 2 else 'waits'}" if len(trials) > 1 else ""
    now = first.what_now or f"{first.trigger} waits for a ruling"
    return Heading("wait", "YOUR CALL", sentence=f"{_sentence(first)}{more}", now=now, hint="r rules")


def _sentence(trial: Trial) -> str:
    count = _ORDINALS.get(trial.occurrence)
    again = f" (fired a {count} time)" if count else f" (number {trial.occurrence})" if trial.occurrence > 1 else ""
    if not trial.surprises:
        again = f", number {trial.occurrence}"
    said = verdict_sentences(trial)[0]
    return said if not again and said.startswith(f"{trial.trigger} ") else f"{trial.trigger}{again}: {said}"

"""What is drawn: a view and the screen's own state; and what the large heading says of them."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.following.view import FeedView, LiveView, RecorderView, TransportView
from monitor.judging.case.trial import Trial
from monitor.screens.drawing.marks import VERDICT_TONES, Tone
from monitor.screens.drawing.words import clock, verdict_sentences, verdict_word


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture to draw. All panels are functions of this and of their size."""

    view: LiveView
    unseen: tuple[Trial, ...] = ()
    """Trials whose verdict waits to be acknowledged, the newest last."""
    frozen_for_s: float | None = None
    """Since when the view is held, or None."""
    still_for_s: float | None = None
    """Since when a live view has stopped changing (whoever makes it hangs), or None."""
    calm: bool = False
    read_only: bool = False
    transport: TransportView | None = None
    message: str = ""
    message_tone: Tone = "plain"

    @property
    def trusted(self) -> bool:
        """False while the view is not known to be of this moment, so that nothing in it may look live."""
        return self.still_for_s is None

    @property
    def recorded(self) -> bool:
        """Whether what is shown is a record that is looked at again."""
        return self.transport is not None or self.view.recorder.state == "replay"

    @property
    def old(self) -> bool:
        """True where the newest frame is not of this moment: nothing may be drawn as if it were live."""
        return not self.trusted or self.view.feed.state in ("stale", "lost")


@dataclass(frozen=True, slots=True)
class Heading:
    """The large word, a large number beside it (seconds left), the sentences and the hint of a key."""

    tone: Tone
    word: str
    number: str = ""
    sentences: tuple[str, ...] = ()
    hint: str = ""


OUTLOOK_TONES: dict[str, Tone] = {
    "READY": "good",
    "HOLD": "wait",
    "HIDDEN": "plain",
    "ABORT": "bad",
    "FIRED": "wait",
    "DONE": "plain",
    "NO TRIGGER": "plain",
}

_RECORDER_TROUBLE = ("lost", "restarting", "not recording")
_FEED_WORDS: dict[str, tuple[Tone, str]] = {
    "waiting": ("wait", "WAITING"),
    "stale": ("bad", "STALE"),
    "lost": ("bad", "NO FEED"),
    "paused": ("wait", "PAUSED"),
    "ended": ("plain", "ENDED"),
}


def heading(picture: Picture) -> Heading:
    """What the large heading says, the most pressing thing first.

    A held view comes first because all below it is old; a verdict stays until it is acknowledged; then what is
    broken; then the outlook.
    """
    view = picture.view
    if picture.frozen_for_s is not None:
        return Heading(
            "held",
            "FROZEN",
            sentences=(
                f"This is {clock(view.t)}, {picture.frozen_for_s:.0f} s old.",
                "Recording goes on; a new verdict lifts it.",
            ),
            hint="f lifts it",
        )
    if picture.unseen:
        return verdict_heading(picture.unseen[-1], len(picture.unseen), read_only=picture.read_only)
    if not picture.trusted:
        return Heading("bad", "STALE", sentences=("The picture stands still: the follower does not answer.",))
    if view.recorder.state in _RECORDER_TROUBLE:
        word = "NO RECORD" if view.recorder.state != "restarting" else "RESTART"
        return Heading("bad", word, sentences=(recorder_sentence(view.recorder),))
    if view.feed.state in _FEED_WORDS:
        tone, word = _FEED_WORDS[view.feed.state]
        return Heading(tone, word, sentences=(feed_sentence(view.feed),))
    outlook = view.outlook
    if outlook is None:
        return Heading("plain", "NO TRIGGER", sentences=("No trigger is ahead in this drive.",))
    seconds = outlook.seconds_left
    number = "" if seconds is None else f"{max(0.0, seconds):.0f}"
    return Heading(OUTLOOK_TONES[outlook.heading], outlook.heading, number, (f"{outlook.trigger}: {outlook.why}",))


def verdict_heading(trial: Trial, waiting: int = 1, *, read_only: bool = False) -> Heading:
    """The heading for a trial: its verdict, and in one sentence the condition, the value and the band."""
    word = verdict_word(trial)
    sentences = verdict_sentences(trial)
    again = f" (its {trial.occurrence}. fire)" if trial.occurrence > 1 else ""
    first = f"{trial.trigger}{again}: {sentences[0]}"
    more = len(sentences) - 1
    hint = "" if read_only else "a seen"
    if more:
        hint = f"+{more} more, t card · {hint}" if hint else f"+{more} more"
    if waiting > 1:
        hint = f"{hint} · {waiting - 1} waiting".removeprefix(" · ")
    tone = "wait" if word == "FIRED" else VERDICT_TONES[trial.effective]
    return Heading(tone, word, sentences=(first,), hint=hint)


def feed_sentence(feed: FeedView) -> str:
    """The feed's own sentence, or one for its state where it has none."""
    if feed.sentence:
        return feed.sentence
    return {
        "waiting": "No frame has come in yet.",
        "live": "",
        "stale": f"No frame for {feed.age_s or 0:.1f} s.",
        "paused": "The simulator is paused.",
        "ended": "The drive has ended.",
        "lost": "The connection to the simulator is lost.",
    }[feed.state]


def recorder_sentence(recorder: RecorderView) -> str:
    """The recorder's own sentence, or one for its state where it has none."""
    if recorder.sentence:
        return recorder.sentence
    return {
        "lost": "The recorder does not answer: nothing is being recorded.",
        "restarting": "The recorder died and is being started again.",
        "not recording": "Nothing is being recorded.",
    }.get(recorder.state, "")

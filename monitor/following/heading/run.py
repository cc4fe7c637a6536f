"""What concerns the whole run: the participant, the recorder, the feed, and what kind of time it is."""

from __future__ import annotations

from monitor.following.heading.model import Heading, Tone
from monitor.following.view import FeedView, LiveView, RecorderView
from monitor.following.words import clock

UNHEARD = ("stopped", "lost", "restarting")
"""States in which nothing comes from the recorder."""

NOT_RECORDING = (*UNHEARD, "not recording")

_FEED_WORDS: dict[str, tuple[Tone, str]] = {
    "waiting": ("wait", "WAITING"),
    "stale": ("bad", "STALE"),
    "lost": ("bad", "NO FEED"),
}


def is_followed(view: LiveView) -> bool:
    """Whether the view is of this moment: frames come in, or the simulator has said why they do not, and judging keeps
    up. Else nobody knows how the drive goes on, and only what has been decided is told."""
    feed = view.feed
    if _is_closed(view):
        return True  # nothing goes on that could be told otherwise
    comes_in = feed.state in ("live", "paused", "ended") and view.recorder.state not in UNHEARD
    return comes_in and feed.behind_s is None


def _is_closed(view: LiveView) -> bool:
    return view.closing_digest is not None or view.recorder.state in ("closed", "sealed")


def stop(view: LiveView) -> Heading | None:
    """The participant drives no more: nothing else matters, and nothing stands above it."""
    if view.stop is None:
        return None
    stopped = view.stop
    when = "" if stopped.at is None else f" at {clock(stopped.at)}"
    by = f" by {stopped.by}" if stopped.by else ""
    sentence = (
        f"{stopped.words[:1].upper()}{stopped.words[1:]}, entered{when}{by}. The running trial and later ones are void."
    )
    return Heading(
        "bad", "STOP", sentence=sentence, now="every trial from here on is void; u lifts it, with a word why"
    )


def not_recording(view: LiveView) -> Heading | None:
    """Nothing is being written anywhere, or nobody knows."""
    if view.recorder.state not in NOT_RECORDING:
        return None
    word = "RESTART" if view.recorder.state == "restarting" else "NO RECORD"
    return Heading("bad", word, sentence=recorder_sentence(view.recorder), now=_recorder_now(view.recorder))


def recorder_sentence(recorder: RecorderView) -> str:
    """The recorder's own sentence, or one for its state where it has none."""
    if recorder.sentence:
        return recorder.sentence
    return {
        "stopped": "The recorder is stopped: its process is there and does not answer.",
        "lost": "The recorder does not answer: nothing is being recorded.",
        "restarting": "The recorder died and is being started again.",
        "not recording": "Nothing is being recorded.",
    }.get(recorder.state, "")


def _recorder_now(recorder: RecorderView) -> str:
    if recorder.state == "stopped":
        return "what comes in meanwhile is lost; who stopped the recorder's process can let it go on"
    if recorder.state == "restarting":
        return "it is started again by itself; what comes in meanwhile is lost"
    return "what happens now is in no record: write down what you will need"


def unattended(view: LiveView) -> Heading | None:
    """On a screen that only reads: the one that writes is gone."""
    if not view.unattended:
        return None
    return Heading(
        "bad", "NO OPERATOR", sentence=view.unattended, now="recording goes on; no note and no ruling is entered"
    )


def silent(view: LiveView) -> Heading | None:
    """Nothing to judge comes in while a drive runs, or before the first one."""
    if view.feed.state not in _FEED_WORDS or view.feed.behind_s is not None or _is_closed(view):
        return None
    tone, word = _FEED_WORDS[view.feed.state]
    now = (
        "nothing is judged until frames come" if view.feed.state == "waiting" else "a trial that fires now is undecided"
    )
    return Heading(tone, word, sentence=feed_sentence(view.feed), now=now)


def behind(view: LiveView) -> Heading | None:
    """More comes in than is judged: what is shown is of a while ago."""
    if view.feed.behind_s is None:
        return None
    return Heading("wait", "BEHIND", sentence=feed_sentence(view.feed), now="what fires now is judged, and told later")


def feed_sentence(feed: FeedView) -> str:
    """The feed's own sentence, or one for its state where it has none."""
    if feed.behind_s is not None:
        return f"This screen is {feed.behind_s:.1f} s behind what comes in; the record has all of it."
    if feed.sentence:
        return feed.sentence
    return {
        "waiting": "No frame has come in yet.",
        "live": "",
        "stale": f"No frame for {feed.age_s or 0:.1f} s.",
        "paused": "The simulation is paused.",
        "ended": "The drive has ended.",
        "lost": "The connection to the simulator is lost.",
    }[feed.state]


def paused(view: LiveView) -> Heading | None:
    """The simulation stands."""
    if view.feed.state != "paused":
        return None
    return Heading(
        "wait", "PAUSED", sentence=feed_sentence(view.feed), now="recording goes on; a pause in a trial voids it"
    )


def between_drives(view: LiveView) -> Heading | None:
    """A drive has ended and no other one has begun; or the record is closed."""
    if _is_closed(view) or (view.feed.state == "ended" and view.feed.sentence):
        return Heading("plain", "CLOSED", sentence="The record is closed.", now="F9 shows the digest to keep")
    if view.feed.state != "ended":
        return None
    said = f"Drive {view.drive} has ended." if view.drive is not None else "The drive has ended."
    if view.day.asks_first:
        now = "k asks the participant, before anything of a trial is shown; then F9 closes out"
        return Heading("wait", "BETWEEN DRIVES", sentence=f"{said} The debrief is open.", now=now)
    now = "F9 closes out, or the next drive begins by itself"
    if view.contested:  # it is now that people rule: whoever ruled first is told at once
        trial, differs = view.contested[0]
        now = f"{trial}: {differs}; r rules on it again"
    return Heading("plain", "BETWEEN DRIVES", sentence=said, now=now)


def practice(view: LiveView) -> Heading | None:
    """A drive in which nothing is to fire."""
    if not view.practice or view.feed.state != "live":
        return None
    said = f"Nothing fires in {view.scenario}." if view.scenario else "Nothing fires in this drive."
    return Heading("plain", "PRACTICE", sentence=said, now="nothing here counts as a trial")

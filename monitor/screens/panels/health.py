"""The state line: who drives what, how the feed is, what the recorder does. A screen too small keeps it."""

from __future__ import annotations

from dataclasses import replace

from rich.cells import cell_len

from monitor.following.heading.run import NOT_RECORDING, feed_sentence
from monitor.following.source_words import clock_words
from monitor.following.view import FeedView, RecorderView
from monitor.following.words import BEHIND, clock, minutes_text
from monitor.judging.case.pacing import is_off_pace
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.marks import TONE_MARKS, Tone
from monitor.screens.drawing.picture import Picture

FEED_TONES: dict[str, Tone] = {
    "waiting": "wait",
    "live": "good",
    "stale": "bad",
    "paused": "wait",
    "ended": "plain",
    "lost": "bad",
}
RECORDER_TONES: dict[str, Tone] = {
    "recording": "good",
    "saving": "wait",
    "stopped": "bad",
    "lost": "bad",
    "restarting": "bad",
    "not recording": "bad",
    "closed": "plain",
    "sealed": "plain",
    "replay": "plain",
}


def draw_health(picture: Picture, width: int, height: int) -> Canvas:
    """One row: who, then the feed, then the recorder at the right."""
    canvas = Canvas(width, height)
    view = picture.view
    feed_tone = feed_tone_of(picture)
    recorder_tone = RECORDER_TONES[view.recorder.state]
    roomy = width >= 110
    told = view.recorder.sentence and view.recorder.sentence in view.feed.sentence  # the feed's words say it already
    recorder_view = replace(view.recorder, sentence="") if told else view.recorder
    recorder = f"{TONE_MARKS[recorder_tone]} {recorder_text(recorder_view, roomy=roomy)}"
    x = canvas.put_right(canvas.width - 1, 0, recorder, _role(recorder_tone)) - 2
    said = feed_text(view.feed, roomy=roomy, trusted=picture.trusted, recorded=picture.recorded)
    feed = f"{TONE_MARKS[feed_tone]} {said}"
    least = cell_len(identities(picture)[-1]) + 3
    if cell_len(feed) > x - least:
        feed = feed.partition(" age ")[0]
    feed = fit(feed, max(0, min(cell_len(feed), x - 12)))
    x = canvas.put_right(x, 0, feed, _role(feed_tone)) - 2
    room = max(0, x - 1)
    said = next((one for one in identities(picture) if cell_len(one) <= room), identities(picture)[-1])
    canvas.put(1, 0, fit(said, room), "strong")
    return canvas


def feed_tone_of(picture: Picture) -> Tone:
    """The feed's tone: a live one with something wrong (its sentence says what) is told from a good one."""
    feed = picture.view.feed
    if not picture.trusted:
        return "bad"
    return "wait" if feed.state == "live" and (feed.sentence or feed.lost or feed.behind_s) else FEED_TONES[feed.state]


def _role(tone: Tone) -> str:
    return "alarm" if tone == "bad" else tone


def identities(picture: Picture) -> list[str]:
    """Participant, group, drive and time of the drive, and what kind of screen it is: the longest first."""
    view = picture.view
    modes = [
        word for word, on in (("READ-ONLY", picture.read_only), ("CALM", picture.calm), ("BLIND", view.blind)) if on
    ]
    who, group = clean(view.participant), clean(view.group or "")
    drive = [] if view.drive is None else [f"drive {view.drive}"]
    time = clock(view.t, tenths=False)
    both = f"{who} {group}".rstrip()
    limit = [] if view.day.limit is None else [view.day.limit.short]
    return [
        " · ".join([*modes, both, *drive, time, *limit]),
        " · ".join([*modes, both, time, *limit]),
        " · ".join([*modes, who, *(limit or [time])]),
    ]


def feed_text(feed: FeedView, *, roomy: bool, trusted: bool = True, recorded: bool = False) -> str:
    """The feed in one line: state, rate, lost, age; what is not zero and should be is added where there is room.

    A `recorded` one says that it is a record, and never that it is live.
    """
    if not trusted:
        return "picture stands still"
    state = (feed.state if feed.behind_s is None else BEHIND).upper()
    if recorded:
        state = "RECORD" if feed.state == "live" else f"RECORD {feed.state}"
    if feed.state in ("waiting", "lost", "ended", "paused"):
        return f"{state} {clean(feed_sentence(feed))}" if roomy else f"feed {state}, lost {feed.lost}"
    rate = "" if feed.rate_hz is None else f" {feed.rate_hz:.1f} Hz" if roomy else f" {feed.rate_hz:.0f} Hz"
    age = "" if feed.age_s is None or recorded else f" age {feed.age_s:.1f} s"
    more = "".join(
        f" {name} {count}" for name, count in (("dup", feed.duplicates), ("bad", feed.bad)) if count and roomy
    )
    clocks = [clock_words(one.name, one.offset_s, one.uncertainty_s) for one in feed.sources if roomy]
    sources = "".join(f" · {clean(one)}" for one in clocks)
    return f"{state}{rate}{_real_time(feed, roomy=roomy)} lost {feed.lost}{more}{sources}{age}"


def _real_time(feed: FeedView, *, roomy: bool) -> str:
    """How fast simulated time goes on; where there is little room only if that is another pace than the clock's."""
    factor = feed.real_time
    if factor is None or not (roomy or is_off_pace(factor)):
        return ""
    return f" {factor:.2f}× real time" if roomy else f" {factor:.2f}×"


def recorder_text(recorder: RecorderView, *, roomy: bool) -> str:
    """The recorder in a few words: state, entries not yet on disk, disk time left."""
    words = {"recording": "rec", "not recording": "NO REC", "restarting": "rec RESTARTING"}
    words |= {"lost": "rec LOST", "stopped": "rec STOPPED"}
    state = words.get(recorder.state, recorder.state)
    if recorder.state in NOT_RECORDING:
        return f"{state}, {recorder.unsaved} unsaved" if recorder.unsaved else state
    if recorder.unsaved:
        state = f"saving {recorder.unsaved}"
    writes = recorder.state in ("recording", "saving")
    left = minutes_text(recorder.minutes_left, short=not roomy) if writes else ""
    said = f"{state} {left}{' left' if roomy and left else ''}".rstrip()
    if roomy and recorder.sentence:
        return fit(f"{said} {clean(recorder.sentence)}", min(48, len(said) + 1 + len(recorder.sentence))).rstrip()
    return said

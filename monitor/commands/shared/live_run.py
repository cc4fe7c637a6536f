"""What `watch`, `demo` and `attach` share: a run on a screen, or as lines on standard output."""

from __future__ import annotations

import signal
import time
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.commands.shared.interrupting import Interrupted, interruptible
from monitor.commands.shared.printing import harmless, lost_output, print_json, say, trial_lines
from monitor.errors import RecorderLost
from monitor.following.beginning import Run
from monitor.following.live import Following, operator_name
from monitor.following.slot import LiveProvider
from monitor.following.source_words import clock_words
from monitor.judging.case.trial import Trial
from monitor.judging.document import notes_json, session_json, trial_json
from monitor.judging.source_state import look_at_sources

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from monitor.following.view import Unclosed
    from monitor.judging.session import Session

SILENCE_S = 30.0
"""`--until-end` gives up after so long without a message."""

CLOSE_WITHIN_S = 10.0
READ_WITHIN_S = 20.0


@dataclass(frozen=True, slots=True)
class Follower:
    """Who follows a run: `by` enters, or the name of whoever is logged in; `read_only`: nobody enters; `announce`: the
    endpoint at which faults and trials that wait are told."""

    by: str | None
    read_only: bool = False
    announce: str | None = None

    def of(self, run: Run) -> Callable[[], Following]:
        """How a run is followed so, in the thread that will do it."""
        return run.follow(self.by or operator_name(), read_only=self.read_only, announce=self.announce)


def show_run(
    run: Run,
    follower: Follower,
    *,
    says_it_goes_on: bool = True,
    screen: Callable[[LiveProvider], int] | None = None,
) -> int:
    """The watch screen on a run, or another one; the recorder goes on when it is left without ending the run."""
    from monitor.screens.watch.running import run_watch

    source = LiveProvider(follower.of(run))
    source.start()
    try:
        status = run_watch(source, read_only=follower.read_only) if screen is None else screen(source)
    finally:
        source.stop()
    say(f"record: {run.record}")
    unclosed = source.view().recorder.unclosed
    if unclosed is not None:
        say_unclosed(unclosed, run.record)
        return status or 1
    if says_it_goes_on:
        say_it_goes_on(run)
    return status


def say_it_goes_on(run: Run) -> None:
    """What is said where a run is left and not ended."""
    if run.is_recorded:
        say(f"The recorder goes on; come back with: trialwitness attach {run.record}")


def stream_run(run: Run, follower: Follower, asked: interruptible, *, as_json: bool, until_end: bool) -> int:
    """A run without a screen: trials and notes as they come, and the whole of it at the end. `asked` puts off what it
    is asked until the run is followed.

    Whoever only looks on leaves the record open, and so does whoever lost the terminal.
    """
    following = follower.of(run)()
    stream = Stream(as_json)
    status = 0
    try:
        try:
            asked.let_go()
            status = _follow(following, stream, until_end=until_end, undivided=asked.puts_off)
        except Interrupted as interrupted:
            status = 128 + interrupted.number
            if interrupted.number == signal.SIGHUP:
                # a lost terminal is no reason to end a run that happens once
                lost_output(lambda: say_it_goes_on(run))
                return status
        with asked.puts_off():  # a second signal may keep from what is said, and from nothing that ends the run
            if not follower.read_only and not close_run(following):
                unclosed = following.recorder_view().unclosed
                if unclosed is not None:
                    say_unclosed(unclosed, run.record)
                else:
                    say(f"The recorder did not close the record; run: trialwitness recover {run.record}")
                status = status or 1
        if following.session is not None:
            stream.take(following.session)
            stream.finish(following.session, str(run.record))
    finally:
        following.close()
    return status or (1 if following.failed else 0)


def follow_to_end(following: Following, asked: interruptible) -> int:
    """Follows to the end of the drive in silence; status 1 where the feed fell silent before."""
    asked.let_go()
    return _follow(following, None, until_end=True, undivided=asked.puts_off)


class SilenceWatch:
    """How long a run has been silent.

    While a drive is under way only its frames count: a bridge says hello for a source that has stopped. Before the
    first frame, and in a pause, any message does.
    """

    def __init__(self) -> None:
        self._since_s = time.monotonic()
        self._hellos = False

    def silent_s(self, following: Following) -> float:
        """Seconds since the newest message that counts."""
        now = time.monotonic()
        any_age_s = following.status().age_s
        drive = following.session.current if following.session is not None else None
        under_way = drive is not None and not drive.log.ended and not drive.log.paused
        age_s = following.frame_age_s() if under_way else None
        self._hellos = age_s is not None and any_age_s is not None and any_age_s < age_s
        age_s = any_age_s if age_s is None else age_s
        if age_s is not None:
            self._since_s = max(self._since_s, now - age_s)
        return now - self._since_s

    def sentence(self) -> str:
        """What fell silent."""
        if self._hellos:
            return f"No frame for {SILENCE_S:.0f} s, while hellos still come: the source behind them has stopped."
        return f"No message for {SILENCE_S:.0f} s: the feed fell silent."


def _follow(
    following: Following,
    stream: Stream | None,
    *,
    until_end: bool,
    undivided: Callable[[], AbstractContextManager[None]],
) -> int:
    """Follows, and says on the `stream` what there is to say. What is taken in is `undivided` from judging it: whoever
    is interrupted between them would close, and review, a run of which it has missed something."""
    began = time.monotonic()
    silence = SilenceWatch()
    sentence = ""
    while True:
        with undivided():
            following.step(0.1)
        session = following.session
        if session is None:
            if time.monotonic() - began > READ_WITHIN_S:
                raise RecorderLost(f"{following.record}: no entry could be read; see recorder.log in it.")
            continue
        if stream is not None:
            stream.take(session)
            stream.take_sources(session)
        if following.is_status_due:
            following.tell(following.view(0))
        said = following.recorder_view().sentence
        if said != sentence:
            sentence = said
            if said and stream is not None:
                stream.say(said)
        drive = session.current
        if until_end and drive is not None and drive.log.ended:
            return 0
        if until_end and silence.silent_s(following) > SILENCE_S:
            say(f"{silence.sentence()} The record is closed.")
            return 1


def end_run(run: Run) -> bool:
    """Closes a run's record; whether that was done."""
    following = run.follow(operator_name())()
    try:
        return close_run(following)
    finally:
        following.close()


def close_run(following: Following) -> bool:
    """Asks the recorder to close the record and follows it to its end; whether it did."""
    following.post({"type": "end", "why": "the run ended"})
    deadline = time.monotonic() + CLOSE_WITHIN_S
    while time.monotonic() < deadline:
        following.step(0.1)
        if following.status().closed is not None:  # the close entry alone does not say that it is on the disk
            return _read_to_end(following, deadline)
    return False


def _read_to_end(following: Following, deadline: float) -> bool:
    """Follows to the close entry; whether it came."""
    while time.monotonic() < deadline:
        if following.session is not None and following.session.closed:
            return True
        following.step(0.1)
    return False


def say_unclosed(unclosed: Unclosed, record: Path) -> None:
    """Says what is on no disk, what can be done, and what was entered here as text."""
    if unclosed.left:
        say(f"NOT CLOSED: the recorder has ended; {unclosed.entries} entries were on no disk and are lost.")
    else:
        say(
            f"NOT CLOSED: {unclosed.entries} entries are on no disk. The recorder keeps them while this machine runs; "
            f"make space, or name a directory on another disk with: trialwitness recover {record} --place DIR"
        )
    for entry in unclosed.operators:
        say(f"  on no disk: {harmless(entry)}")


class Stream:
    """Findings as lines: sentences for people, or one JSON object a line, each with a `type`."""

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self._told: dict[str, tuple[str, str, int]] = {}
        self._notes = 0
        self._sources: dict[str, str] = {}

    def take(self, session: Session) -> None:
        """Prints trials whose stage, verdict or findings changed, and new notes."""
        for trial in session.trials():
            if trial.stage == "armed" and not trial.findings:
                continue
            state = (trial.stage, trial.effective, len(trial.findings))
            if self._told.get(trial.id) != state:
                self._told[trial.id] = state
                self._trial(trial)
        for note in notes_json(session, self._notes) if len(session.operator.notes) > self._notes else ():
            if self.as_json:
                print_json({"type": "note", **note})
            else:
                print(f"note by {harmless(note['by'])}: {harmless(note['text'])}", flush=True)
        self._notes = len(session.operator.notes)

    def take_sources(self, session: Session) -> None:
        """Says of each further source when its clock becomes known, and when it gets into trouble or out of it."""
        for one in look_at_sources(session):
            kind = " ".join(one.trouble.split()[:3])  # without the numbers, which go on
            if self._sources.get(one.endpoint) != kind:
                self._sources[one.endpoint] = kind
                self.say(
                    f"{one.name} {one.trouble}."
                    if one.trouble
                    else f"{clock_words(one.name, one.offset_s, one.uncertainty_s)}."
                )

    def say(self, sentence: str) -> None:
        """Something about the feed or the recorder."""
        if self.as_json:
            print_json({"type": "health", "sentence": sentence})
        else:
            say(sentence)

    def finish(self, session: Session, record: str) -> None:
        """The whole run, last."""
        if self.as_json:
            print_json({"type": "review", **session_json(session, record)})
        else:
            print(f"record: {record}", flush=True)

    def _trial(self, trial: Trial) -> None:
        if self.as_json:
            print_json({"type": "trial", **trial_json(trial)})
        else:
            print(f"[{trial.stage}] " + "\n".join(trial_lines(trial)), flush=True)

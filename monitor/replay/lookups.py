"""Answers about a record that take a moment: why a trial came out so, the numbers about an instant, judging again.

Asked for as a view is: `ask` returns at once, with the answer when it is there. One thread works them out, the newest
question first, with a playback of its own.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any

from monitor.errors import WitnessError
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback

MOST_ANSWERS = 24
MOST_QUESTIONS = 8


@dataclass(frozen=True, slots=True)
class Answer:
    """`value` once it is there; `trouble` is a sentence where there will be none. Neither: it is being worked out."""

    value: Any = None
    trouble: str = ""


WORKING = Answer()


class LookUps:
    """Questions by key; a key's answer is kept until `MOST_ANSWERS` newer ones have come."""

    def __init__(self, found: RecordMap) -> None:
        self._map = found
        self._answers: OrderedDict[Hashable, Answer] = OrderedDict()
        self._questions: OrderedDict[Hashable, Callable[[Playback], Any]] = OrderedDict()
        self._lock = threading.Condition()
        self._stopped = False
        self._thread = threading.Thread(target=self._work, name="looking up", daemon=True)

    def start(self) -> None:
        """Starts the thread."""
        self._thread.start()

    def stop(self) -> None:
        """Ends after the question at hand."""
        with self._lock:
            self._stopped = True
            self._lock.notify()
        self._thread.join(10.0)

    def ask(self, key: Hashable, work: Callable[[Playback], Any]) -> Answer:
        """The answer to a question, or `WORKING`. Needs the record to have been read; until then it waits for that."""
        with self._lock:
            if key in self._answers:
                self._answers.move_to_end(key)
                return self._answers[key]
            if self._map.done and key not in self._questions:
                self._questions[key] = work
                while len(self._questions) > MOST_QUESTIONS:
                    self._questions.popitem(last=False)
                self._lock.notify()
            return WORKING

    def _work(self) -> None:
        playback: Playback | None = None
        while True:
            with self._lock:
                while not self._questions and not self._stopped:
                    self._lock.wait()
                if self._stopped:
                    return
                key = next(reversed(self._questions))
                work = self._questions[key]
            try:
                playback = playback or Playback(self._map)
                answer = Answer(work(playback))
            except WitnessError as error:
                answer = Answer(trouble=str(error))
            except Exception as error:
                # whatever goes wrong must reach the screen that asks, and must not end the other questions
                answer = Answer(trouble=f"this could not be worked out: {type(error).__name__}: {error}")
                playback = None
            with self._lock:
                self._questions.pop(key, None)
                self._answers[key] = answer
                while len(self._answers) > MOST_ANSWERS:
                    self._answers.popitem(last=False)

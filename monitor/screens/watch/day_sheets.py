"""The sheets of the watch screen about the participant and the day: safety page, questionnaire, debrief.

They are loaded when they are opened: most studies ask for none of them, and the screen is to stand as quickly without.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.following.around import DebriefLine
from monitor.screens.watch.drawn_screen import LiveScreen
from monitor.study.day.model import AskedWhen

if TYPE_CHECKING:
    from monitor.screens.dialogs.debrief import DebriefSheet
    from monitor.screens.dialogs.safety import FitSaid

ASKED_FIRST = "first the debrief (k): nothing of a trial is shown before it is answered"


class DaySheets(LiveScreen):
    """What these sheets ask for is entered with the time of the key."""

    _debrief_passed: frozenset[int] = frozenset()
    """Drives after which the operator left the debrief and went on all the same."""

    def asked_first(self) -> bool:
        """Whether the debrief stands before what was asked for; it is then opened, once. Who leaves it goes on, and
        the record says that it was not answered."""
        drive = self.latest.drive or 0
        if not self.latest.day.asks_first or self.read_only or drive in self._debrief_passed:
            return False

        def left(_: None) -> None:
            self._debrief_passed |= {drive}

        self.say(ASKED_FIRST)
        self.app.push_screen(self._debrief(), left)
        return True

    @property
    def hides_trials(self) -> bool:
        """Whether nothing of a trial is shown now because the debrief is open."""
        return self.latest.day.asks_first and (self.latest.drive or 0) not in self._debrief_passed

    def action_debrief(self) -> None:
        """Opens the debrief."""
        if not self.latest.day.debrief:
            self.say("the study asks for no debrief")
            self.draw()
            return
        self.app.push_screen(self._debrief())

    def _debrief(self) -> DebriefSheet:
        from monitor.screens.dialogs.debrief import DebriefSheet

        return DebriefSheet(lambda: self.latest.day.debrief, None if self.read_only else self._answer_item)

    def _answer_item(self, line: DebriefLine, answer: str, words: str) -> None:
        fields = {"type": "debrief", "item": line.name, "answer": answer, "words": words}
        self.enter(f"{line.name}: answered", fields, self.moment())

    def action_safety(self) -> None:
        """Opens the safety page; what is entered from it brings back to it."""
        if "safety" not in self.latest.day.asked:
            self.say("the study asks for no safety page; u, c and n enter what happened")
            self.draw()
            return
        from monitor.screens.dialogs.safety import SafetySheet

        def stands() -> str:
            return self.latest.stop.words if self.latest.stop is not None else ""

        ask: dict[str, Callable[[], None]] = {
            "adverse": lambda: self._ask_event(
                "adverse", "ADVERSE EVENT", "What happened to the participant, and what was done."
            ),
            "deviation": lambda: self._ask_event(
                "deviation", "DEVIATION", "What was done otherwise than the protocol says."
            ),
            "symptoms": self._ask_symptoms,
            "fit": self._ask_fit,
        }

        def wished(wish: str | None) -> None:
            if wish is not None:
                ask[wish]()

        self.app.push_screen(SafetySheet(lambda: self.latest.day, stands, may_enter=not self.read_only), wished)

    def _ask_event(self, kind: str, heading: str, said: str) -> None:
        from monitor.screens.dialogs.safety import WordsSheet

        moment = self.moment()

        def written(words: str | None) -> None:
            if words is not None:
                self.enter(f"{heading.lower()} entered", {"type": kind, "text": words}, moment)
            self.action_safety()

        self.app.push_screen(WordsSheet(heading, said), written)

    def _ask_symptoms(self) -> None:
        from monitor.screens.dialogs.symptoms import SymptomsSheet

        moment = self.moment()
        when: AskedWhen = "before" if self.latest.drive is None or not self.latest.t else "after"
        if "before" in self.latest.day.questionnaire and self.latest.day.log.filled_in("before") is None:
            when = "before"

        def enter(when: AskedWhen, answers: list[int]) -> None:
            self.enter(f"symptoms {when}", {"type": "symptoms", "when": when, "answers": answers}, moment)

        self.app.push_screen(SymptomsSheet(when, enter), lambda _: self.action_safety())

    def _ask_fit(self) -> None:
        from monitor.screens.dialogs.safety import FitSheet

        moment = self.moment()

        def answered(said: FitSaid | None) -> None:
            if said is not None:
                self.enter("fit to leave", {"type": "fit", "fit": said.fit, "words": said.words}, moment)
            self.action_safety()

        self.app.push_screen(FitSheet(), answered)

"""Moving about in a record: a pair of keys moves by a step that another pair chooses in words, digits set the pace."""

from __future__ import annotations

from monitor.screens.keymap import PACES
from monitor.screens.provider import TransportProvider
from monitor.screens.watch.run_sheets import RunSheets

SECONDS = {"1 s": 1.0, "10 s": 10.0, "1 min": 60.0}
STEPS = ("frame", *SECONDS, "trigger")


class Moving(RunSheets):
    """What the keys of a replay do."""

    steps: tuple[str, ...] = STEPS
    """What can be moved by: a frame, a time, or to the next place of a kind."""
    step = "10 s"

    def _move(self) -> TransportProvider:
        assert self.transport is not None, "the keys of a replay are bound only in one"
        return self.transport

    def _moved(self) -> None:
        self.frozen = None
        self.latest = self.source.view()
        self.draw()

    def action_run_hold(self) -> None:
        """Lets the record run on, or holds it."""
        move = self._move()
        if move.transport().playing:
            move.pause()
        else:
            move.play()
        self._moved()

    def action_move(self, direction: int) -> None:
        """Back or on by the chosen step."""
        move = self._move()
        if self.step == "frame":
            move.step(direction)
        elif self.step in SECONDS:
            move.seek(move.transport().at_s + direction * SECONDS[self.step])
        else:
            self.move_to_place(direction)
        self._moved()

    def move_to_place(self, direction: int) -> None:
        """To just before the next place, or the one before, of the chosen kind."""
        self._move().jump(direction)

    def action_choose_step(self, direction: int) -> None:
        """The next step of the list, or the one before."""
        at = min(max(self.steps.index(self.step) + direction, 0), len(self.steps) - 1)
        self.step = self.steps[at]
        self.say(f"← → move by: {', '.join(f'[{one}]' if one == self.step else one for one in self.steps)}")
        self.draw()

    def action_choose_pace(self, place: int) -> None:
        """The pace of this number in the list."""
        words, times = PACES[place - 1]
        self._move().set_speed(times)
        self.say(f"pace: {words}")
        self._moved()

    def action_seek_start(self) -> None:
        """To the record's start."""
        self._move().seek(0.0)
        self._moved()

    def action_loop(self) -> None:
        """Goes round the nearest trigger, or ends that."""
        self._move().loop()
        self._moved()

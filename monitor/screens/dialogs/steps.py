"""The run sheet: the study's steps, how far it is to each, the words to say, and what is done."""

from __future__ import annotations

from collections.abc import Callable

from monitor.following.view import SheetLine
from monitor.following.words import clock
from monitor.screens.dialogs.choosing import ChoosingSheet
from monitor.screens.dialogs.sheet import Row
from monitor.screens.drawing.canvas import clean, fit, wrap
from monitor.screens.drawing.marks import MET, OPEN, UNDECIDED

STEP_MARKS = {"done": MET, "due": UNDECIDED, "soon": OPEN}
STEP_ROLES = {"done": "good", "due": "alarm", "soon": "wait"}
NO_MARK = "╌"


def cue_text(step: SheetLine) -> str:
    """How far it is to the step, by road or by time; where that is not known, its place or time in the plan."""
    if step.left_m is not None:
        metres = f"{abs(step.left_m):.0f} m"
        if step.left_m <= 0:
            return f"{metres} ago"
        return f"in {metres}" if step.left_s is None else f"in {metres}, {step.left_s:.0f} s"
    if step.left_s is not None:
        return f"in {step.left_s:.0f} s" if step.left_s > 0 else f"{-step.left_s:.0f} s ago"
    if step.at_station_m is not None:
        return f"at {step.at_station_m:.0f} m"
    return "" if step.at_s is None else f"at {clock(step.at_s, tenths=False)}"


class StepsSheet(ChoosingSheet):
    """Enter ticks the chosen step off, or takes that back. `tick` is None on a screen that only reads."""

    least_rows = 14
    takes_notes = True

    def __init__(self, steps: Callable[[], tuple[SheetLine, ...]], tick: Callable[[SheetLine], None] | None) -> None:
        super().__init__()
        self._steps = steps
        self._tick = tick
        self._asked: dict[str, bool] = {}
        self._choose_next()

    @property
    def heading(self) -> str:
        """How many are done."""
        steps = self._steps()
        return f"RUN SHEET   {sum(one.state == 'done' for one in steps)} of {len(steps)} done"

    @property
    def foot(self) -> str:
        """The keys that do something here."""
        return "Esc closes" if self._tick is None else "↑↓ choose   Enter ticks it off, or not   Esc closes"

    def _choose_next(self) -> None:
        """Chooses the first step, from the chosen one on, that is not done."""
        steps = self._steps()
        order = [*range(self.at, len(steps)), *range(self.at)]
        open_ones = [at for at in order if not self._asked.get(steps[at].name, steps[at].state == "done")]
        self.at = open_ones[0] if open_ones else self.at
        self._moved = True

    def head(self, width: int) -> list[Row]:
        """Nothing."""
        return []

    def tail(self, width: int) -> list[Row]:
        """Nothing."""
        return []

    def blocks(self, width: int) -> list[list[Row]]:
        """State, distance, name; the words to say below, while it is not done."""
        return [self._step(step, width) for step in self._steps()]

    def _step(self, step: SheetLine, width: int) -> list[Row]:
        done = step.state == "done"
        saving = self._asked.get(step.name, done) != done
        state = "saving" if saving else step.state
        role = "wait" if saving else STEP_ROLES.get(step.state, "dim")
        cue = "" if done else cue_text(step)
        head = f"{STEP_MARKS.get(step.state, NO_MARK)} {state:<9}"
        name = fit(clean(step.name), max(0, width - len(head) - 19)).rstrip()
        row: Row = [(head, role), (" ", "dim"), (f"{cue:<18}", "plain"), (name, "dim" if done else "strong")]
        if done or not step.say:
            return [row]
        indent = " " * 12
        said = wrap(f'say: "{clean(step.say)}"', max(10, width - len(indent)), 4)
        return [row, *([(indent, "plain"), (line, "strong")] for line in said)]

    def press(self, key: str, character: str | None) -> bool:
        """Enter ticks off, and goes on to the next one."""
        if key not in ("enter", "space") or self._tick is None:
            return False
        step = self._steps()[self.at]
        self._asked[step.name] = step.state != "done"
        self._tick(step)
        if step.state != "done":
            self._choose_next()
        self.redraw()
        return True

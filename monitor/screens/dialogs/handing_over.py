"""The page for whoever takes over the operator's place: what is open, noted a moment ago, next, and how the participant
is. It is entered whole when the operator changes."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from textual.widgets import Input

from monitor.following.handed_over import handed_line
from monitor.following.view import LiveView, SheetLine
from monitor.screens.dialogs.closing import settled_steps, unresolved
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean, wrap

NOTES_OF_S = 600.0
MOST_NOTES, MOST_STEPS = 30, 5
SECTIONS = {"open": "OPEN", "comfort": "PARTICIPANT", "steps": "NEXT", "notes": "NOTES OF THE LAST TEN MINUTES"}
EMPTY = {
    "open": "Nothing is open.",
    "comfort": "No comfort rating was entered.",
    "steps": "Nothing is left on the run sheet, and no trigger is ahead.",
    "notes": "None.",
}


@dataclass(frozen=True, slots=True)
class HandoverPage:
    """What is handed over, a sentence each. It is made of the masked view: what is hidden is in none of it."""

    open: tuple[str, ...]
    comfort: tuple[str, ...]
    steps: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def fields(self) -> dict[str, list[str]]:
        """As it is entered."""
        return {name: list(lines) for name, lines in asdict(self).items()}


def handover_page(view: LiveView, wall: float) -> HandoverPage:
    """The page as of `wall` (seconds since 1970)."""
    left = [step for step in view.sheet if step not in settled_steps(view)]
    steps = [_step_words(step) for step in left[:MOST_STEPS]]
    if len(left) > MOST_STEPS:
        steps.append(f"and {len(left) - MOST_STEPS} more steps of the run sheet")
    if view.outlook is not None:
        steps.append(f"next trigger: {view.outlook.trigger}")
    # one that is still to come was made before the clock was set back
    notes = [handed_line(one) for one in reversed(view.notes) if wall - one.wall <= NOTES_OF_S]
    if len(notes) > MOST_NOTES:
        notes[MOST_NOTES:] = [f"and {len(notes) - MOST_NOTES} more; l lists them"]
    return HandoverPage(tuple(unresolved(view)), tuple(_comfort(view, wall)), tuple(steps), tuple(notes))


def _comfort(view: LiveView, wall: float) -> list[str]:
    """How the participant is: the stop that stands, the last rating, those before it."""
    words = [f"STOP stands: {view.stop.words}."] if view.stop is not None else []
    ratings = view.day.comfort
    if ratings:
        last, before = ratings[-1], ratings[:-1]
        said = f"comfort rating {last.rating:g} of 20, {max(wall - last.wall, 0.0) / 60.0:.0f} min ago"
        words.append(said + (f"; before it {', '.join(f'{one.rating:g}' for one in before)}" if before else ""))
    return words


def _step_words(step: SheetLine) -> str:
    say = f" (say: {step.say})" if step.say else ""
    return f"{step.name}{say}, {step.state}"


class HandoverSheet(Sheet[str]):
    """Shows the page and asks who takes over."""

    least_rows = 18
    with_input = True
    input_label = "Who takes over: "
    heading = "HAND-OVER"
    foot = "Enter: what is entered from then on has that name   Esc leaves it"

    def __init__(self, page: HandoverPage, by: str, to: str = "") -> None:
        """`by`: who is in charge until now; `to`: who has just come, where that is known."""
        super().__init__()
        self._page, self._by, self._to = page, by, to

    def rows(self, width: int) -> list[Row]:
        """Who has it now, and what the next one must know."""
        rows: list[Row] = [[(f"in charge until now: {clean(self._by) or 'who started this screen'}", "plain")]]
        if self._to:
            rows.append([(f"here now: {clean(self._to)}; Enter alone takes that name", "strong")])
        for name, lines in self._page.fields.items():
            rows += [[], [(SECTIONS[name], "wait" if name == "open" and lines else "dim")]]
            if not lines:
                rows.append([(EMPTY[name], "good" if name == "open" else "plain")])
            for line in lines:
                broken = wrap(clean(line), width - 4, 3)
                rows += [
                    [("▒ " if place == 0 else "  ", "wait" if name == "open" else "dim"), (part, "strong")]
                    for place, part in enumerate(broken)
                ]
        return rows

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """A name or a code of the staff."""
        event.stop()
        name = event.value.strip() or self._to
        if name:
            self.dismiss(name)

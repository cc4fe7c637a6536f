"""The coders' page: one trial after the other, what was measured and noticed, and the coder's verdict by three keys.

Neither the computed verdict, nor the group, nor the response, nor what another coder said is on it.
"""

from __future__ import annotations

from textual import events
from textual.app import ComposeResult
from textual.widgets import Input

from monitor.errors import WitnessError
from monitor.judging.case.trial import Verdict
from monitor.judging.entered.coding import CodingCase
from monitor.replay.coding import CodingDesk
from monitor.screens.app import TerminalApp
from monitor.screens.dialogs.sheet import Row, SheetBody
from monitor.screens.drawing.canvas import Canvas, clean, fit, wrap
from monitor.screens.drawing.marks import VERDICT_MARKS
from monitor.screens.watch.running import refuse_without_terminal

REASON_KEYS = "123456789abcdefghjklmnopqrstwxyz"
"""One key a reason; without v, i and u, which are the verdicts, and n, which goes on."""
VERDICT_KEYS: dict[str, Verdict] = {"v": "valid", "i": "invalid", "u": "undecided"}
KEYS = (("v i u", "verdict"), ("Tab", "words"), ("Enter", "enters"), ("← →", "trial"), ("Esc", "leaves"))
LEAST_WIDTH, LEAST_HEIGHT = 60, 16
FOOT = 3
"""Rows for the words, what is to be done, and the keys."""


class CodingApp(TerminalApp):
    """The page of one record for one coder; its return value is an exit status."""

    CSS = """
    * { scrollbar-size: 0 0; }
    Input { position: absolute; height: 1; background: $surface; }
    """
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = ""

    def __init__(self, desk: CodingDesk) -> None:
        super().__init__()
        self.desk = desk
        self.at = next((at for at, one in enumerate(desk.cases) if one.trial not in desk.mine), 0)
        self.verdict: Verdict | None = None
        self.reason = ""
        self.said = ""
        self.scrolled = 0

    @property
    def case(self) -> CodingCase:
        """The trial before the coder."""
        return self.desk.cases[self.at]

    def compose(self) -> ComposeResult:
        """The body, and a line for words."""
        yield SheetBody()
        line = Input(compact=True, max_length=500, select_on_focus=False)
        line.cursor_blink = False
        yield line

    def on_mount(self) -> None:
        """Draws the first trial that is not coded yet."""
        self.place()

    def on_resize(self) -> None:
        """Draws for the new size."""
        self.place()

    def place(self) -> None:
        """The body covers the screen; the line for words stands above the keys."""
        body, line = self.query_one(SheetBody), self.query_one(Input)
        body.styles.width, body.styles.height = self.size.width, self.size.height
        line.styles.offset = (10, max(self.size.height - FOOT, 0))
        line.styles.width = max(8, self.size.width - 12)
        line.display = self.size.width >= LEAST_WIDTH and self.size.height >= LEAST_HEIGHT
        self.redraw()

    def redraw(self) -> None:
        """Draws the page and repaints the rows that changed."""
        self.query_one(SheetBody).put_up(self.draw(self.size.width, self.size.height))

    def draw(self, width: int, height: int) -> Canvas:
        """Title, the trial, the reasons, the words, what is to be done next, and the keys."""
        canvas = Canvas(width, height)
        if width < LEAST_WIDTH or height < LEAST_HEIGHT:
            canvas.put(0, 0, f"Too small: {LEAST_WIDTH} × {LEAST_HEIGHT} at least.", "strong")
            return canvas
        canvas.fill(0, 0, width, "plain-slab")
        canvas.put(2, 0, fit(self.heading(), width - 4), "plain-slab")
        rows = self.rows(width - 4)
        room = height - 1 - FOOT
        self.scrolled = max(0, min(self.scrolled, len(rows) - room))
        for y, row in enumerate(rows[self.scrolled : self.scrolled + room], start=1):
            x = 2
            for text, role in row:
                x = canvas.put(x, y, text, role)
        canvas.put(2, height - FOOT, "Words:", "strong")
        canvas.put(2, height - 2, fit(self.said or self.step(), width - 4), "strong")
        canvas.fill(0, height - 1, width, "title")
        more = f"↑↓ {min(len(rows), self.scrolled + room)} of {len(rows)}" if len(rows) > room else ""
        x = 2
        for key, word in KEYS:
            x = canvas.put(x, height - 1, key, "key")
            x = canvas.put(x, height - 1, f" {word}  ", "title-strong")
        canvas.put(x, height - 1, fit(more, max(0, width - x - 1)), "title")
        return canvas

    def heading(self) -> str:
        """Whose page it is, and how far it is."""
        desk = self.desk
        left = "all coded" if not desk.waiting else f"{desk.waiting} of {len(desk.cases)} not coded yet"
        return f"CODING   record {desk.name}   by {clean(desk.by)}   trial {self.at + 1} of {len(desk.cases)}   {left}"

    def step(self) -> str:
        """What comes next."""
        if self.verdict is None:
            mine = self.desk.mine.get(self.case.trial)
            again = f"You said {mine.verdict}; code it again or go on.  " if mine else ""
            return f"{again}Step 1 of 3: your verdict by v, i or u"
        if not self.reason and self.verdict != "valid":
            return "Step 2 of 3: a reason by its key"
        return "Step 3 of 3: words if any (Tab); Enter enters it"

    def rows(self, width: int) -> list[Row]:
        """The trial, then the verdicts and the reasons with their keys."""
        case = self.case
        rows: list[Row] = [[(f"{clean(case.trial)}", "strong")], []]
        rows.append([(f"{'condition':<30}{'value':<18}band", "dim")])
        for name, value, band in case.measured:
            rows.append([(fit(clean(name), 29) + " ", "plain"), (fit(value, 17) + " ", "strong"), (band, "plain")])
        rows.append([])
        rows.append([("noticed", "dim")])
        for fact in case.facts or ("Nothing else was noticed.",):
            rows += [[(line, "plain")] for line in wrap(clean(fact), max(10, width), 2)]
        rows.append([])
        choice: Row = []
        for key, verdict in VERDICT_KEYS.items():
            chosen = "← yours" if verdict == self.verdict else ""
            choice += [(key, "key"), (f" {VERDICT_MARKS[verdict]} {verdict} {chosen}".rstrip() + "    ", "plain")]
        rows += [choice, []]
        return rows + self._reasons(width)

    def _reasons(self, width: int) -> list[Row]:
        column = width // 2
        pieces: list[Row] = []
        for key, reason in zip(REASON_KEYS, self.desk.reasons.values(), strict=False):
            chosen = reason.code == self.reason
            mark = "← " if chosen else ""
            text = fit(f" {mark}{clean(reason.code)}: {clean(reason.words)}", column - 3)
            pieces.append([(key, "key"), (text + " ", "strong" if chosen else "plain")])
        half = (len(pieces) + 1) // 2
        return [pieces[y] + (pieces[y + half] if y + half < len(pieces) else []) for y in range(half)]

    def on_key(self, event: events.Key) -> None:
        """Verdict, reason, words, Enter; arrows go to the other trials and scroll."""
        typing = self.query_one(Input).has_focus
        if event.key in ("escape", "ctrl+c", "ctrl+q"):
            event.stop()
            if typing:
                self.set_focus(None)
            else:
                self.exit(0)
        elif not typing:
            self.press(event.key, event.character)
            event.stop()
        self.redraw()

    def press(self, key: str, character: str | None) -> None:
        """What a key does while no words are typed."""
        self.said = ""
        codes = list(self.desk.reasons)
        if character in VERDICT_KEYS:
            self.verdict = VERDICT_KEYS[character]
        elif character and character in REASON_KEYS[: len(codes)]:
            self.reason = codes[REASON_KEYS.index(character)]
        elif key == "tab":
            self.set_focus(self.query_one(Input))
        elif key in ("left", "right"):
            self.go(self.at + (1 if key == "right" else -1))
        elif key in ("up", "down", "pageup", "pagedown"):
            self.scrolled += {"up": -1, "down": 1, "pageup": -10, "pagedown": 10}[key]
        elif key == "enter":
            self.enter()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter in the words enters the coding."""
        event.stop()
        self.set_focus(None)
        self.enter()
        self.redraw()

    def enter(self) -> None:
        """Enters what was chosen, and goes on to the next trial that waits."""
        line = self.query_one(Input)
        case = self.case
        try:
            why_not = self.desk.enter(case.trial, self.verdict, self.reason, line.value.strip())
        except WitnessError as error:
            why_not = str(error)
        if why_not is not None:
            self.said = f"Not entered yet: {why_not}"
            return
        after = [*range(self.at + 1, len(self.desk.cases)), *range(self.at)]
        waiting = [at for at in after if self.desk.cases[at].trial not in self.desk.mine]
        self.go(waiting[0] if waiting else self.at)
        self.said = f"{case.trial} is entered." if waiting else f"{case.trial} is entered; every trial is coded."

    def go(self, at: int) -> None:
        """Shows another trial, with nothing chosen."""
        self.at = at % len(self.desk.cases)
        self.verdict, self.reason, self.scrolled, self.said = None, "", 0, ""
        self.query_one(Input).value = ""


def run_coding(desk: CodingDesk) -> int:
    """Shows the page until it is left. Raises `WitnessError` without a terminal, and for a record without a trial."""
    refuse_without_terminal("replay --code")
    if not desk.cases:
        raise WitnessError(f"{desk.path} holds no trial to code.")
    status = CodingApp(desk).run()
    return status or 0

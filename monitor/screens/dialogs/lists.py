"""The list of notes with its filter, and the help."""

from __future__ import annotations

from collections.abc import Callable

from textual.widgets import Input

from monitor.following.words import clock
from monitor.judging.case.trial import Note
from monitor.screens.dialogs.choosing import ChoosingSheet
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean, fit, wrap
from monitor.screens.drawing.marks import MET, NOT_MET, OPEN, TIMELINE_LETTERS, TIMELINE_WORDS, UNDECIDED
from monitor.screens.keymap import key_name, keys_for


def matching(notes: tuple[Note, ...], text: str) -> list[Note]:
    """Notes with all the words of the filter in text, author or time; a word after "-" must not be in it."""
    wanted = text.casefold().split()
    found = []
    for note in notes:
        whole = f"{clock(note.at)} {note.by} {note.text}".casefold()
        if all((word[1:] not in whole) if word[:1] == "-" and word[1:] else (word in whole) for word in wanted):
            found.append(note)
    return found


MOST_LINES = 12
"""Of one note: 500 letters, the longest one, need ten."""


class NotesSheet(ChoosingSheet):
    """All notes and marks, newest first; what is typed filters them, Enter takes the chosen one back. `take_back` is
    None on a screen that enters nothing."""

    least_rows = 14
    with_input = True
    input_label = "Filter: "

    def __init__(self, notes: Callable[[], tuple[Note, ...]], take_back: Callable[[Note], None] | None = None) -> None:
        super().__init__()
        self._notes = notes
        self._take_back = take_back

    @property
    def foot(self) -> str:
        """The keys that do something here."""
        back = "↑↓ choose   Enter takes back   " if self._take_back is not None else ""
        return f"{back}type to filter, -word out   Esc closes"

    @property
    def heading(self) -> str:
        """How many of them are shown."""
        notes = self._notes()
        return f"NOTES AND MARKS   {len(self._found())} of {len(notes)}"

    def _found(self) -> list[Note]:
        typed = self.query_one(Input).value if self.is_mounted else ""
        return list(reversed(matching(self._notes(), typed)))

    def on_input_changed(self, event: Input.Changed) -> None:
        """Filters while typing."""
        event.stop()
        self.scrolled = self.at = 0
        self.redraw()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Takes the chosen one back, where it has a key to be named by and was not taken back yet."""
        event.stop()
        found = self._found()
        if self._take_back is not None and found and found[self.at].key and found[self.at].retracted is None:
            self._take_back(found[self.at])

    def head(self, width: int) -> list[Row]:
        """What to say where there is none."""
        return [] if self._found() else [[("none", "dim")]]

    def tail(self, width: int) -> list[Row]:
        """Nothing."""
        return []

    def blocks(self, width: int) -> list[list[Row]]:
        """Time, drive, author, words."""
        return [self._rows_of(note, width) for note in self._found()]

    @staticmethod
    def _rows_of(note: Note, width: int) -> list[Row]:
        drive = "" if note.drive is None else f"drive {note.drive}"
        head = f"{clock(note.at):>9}  {drive:<8} {fit(clean(note.by), 8)} "
        text = clean(note.text)
        role = "plain"
        if note.retracted is not None:
            back = note.retracted
            text = f"taken back by {clean(back.by)}{f' ({clean(back.words)})' if back.words else ''}: {text}"
            role = "dim"
        lines = wrap(text, max(10, width - len(head)), MOST_LINES) or [""]
        return [[(head if not y else " " * len(head), "dim"), (line, role)] for y, line in enumerate(lines)]


_EXPLAINED = (
    "Strips: the last 60 s, and above the time line the drive so far; the rows beside ┃ are the band.",
    "Ladder: ━ is the band, █ the value, the number before it the margin (− is outside).",
    "A condition in (brackets) is advisory: it decides nothing.",
)


class HelpSheet(Sheet[None]):
    """Every key and every mark."""

    least_rows = 20
    heading = "KEYS AND MARKS"

    def __init__(self, *, read_only: bool, replay: bool) -> None:
        super().__init__()
        self._keys = keys_for(read_only=read_only, replay=replay, every=True)

    def press(self, key: str, character: str | None) -> bool:
        """The help's own key closes it, too."""
        if character in ("?", "q"):
            self.dismiss(None)
            return True
        return False

    def rows(self, width: int) -> list[Row]:
        """Keys, then marks, then the letters of the time line."""
        keys: list[Row] = [[(f"{key_name(key):>6}", "strong"), (f"  {key.help}", "plain")] for key in self._keys]
        keys.append([("Ctrl-P", "strong"), ("  Palette: all of these by name", "plain")])
        marks: list[Row] = [
            [],
            [
                (f"{MET} ", "good"),
                ("met, valid, live    ", "plain"),
                (f"{NOT_MET} ", "bad"),
                ("not met, invalid", "plain"),
            ],
            [
                (f"{UNDECIDED} ", "wait"),
                ("undecided    ", "plain"),
                (f"{OPEN} ", "wait"),
                ("window still open", "plain"),
            ],
            [],
        ]
        letters = ", ".join(f"{TIMELINE_LETTERS[kind]} {word}" for kind, word in TIMELINE_WORDS.items())
        for text in (f"Time line: {letters}.", *_EXPLAINED):
            marks += [[(line, "plain")] for line in wrap(text, width, 3)]
        return [[(fit(text, width).rstrip(), role) for text, role in row] for row in keys + marks]

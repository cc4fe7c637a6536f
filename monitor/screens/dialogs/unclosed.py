"""The run was ended and no disk takes its end: what would be lost, where else it can go, as text as a last resort."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from textual.widgets import Input

from monitor.following.view import Unclosed
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean, wrap
from monitor.screens.provider import EndingProvider


class UnclosedSheet(Sheet[None]):
    """Closes by itself once the record is closed. Without a source it only shows."""

    least_rows = 18
    heading = "THE RUN IS ENDED AND NOT CLOSED"
    with_input = True
    types_at_once = False
    input_label = "Directory: "

    def __init__(self, unclosed: Callable[[], Unclosed | None], source: EndingProvider | None) -> None:
        super().__init__()
        self._unclosed = unclosed
        self._source = source
        self._named = ""
        self._gives_up = False

    @property
    def foot(self) -> str:
        """The keys that do something now."""
        found = self._unclosed()
        if self._source is None or found is None or found.left:
            return "Esc closes"
        if self._gives_up:
            return "x again gives them up: they are lost then   Esc keeps them"
        return "d types a directory, Enter names it   x gives them up   Esc closes"

    def redraw(self) -> None:
        """Draws anew; closes once there is nothing to be said."""
        if self._unclosed() is None:
            if self.is_current:  # its timer may tick once more after it was closed
                self.dismiss(None)
            return
        super().redraw()

    def rows(self, width: int) -> list[Row]:
        """How much, why, what can be done; then the entries as text."""
        found = self._unclosed()
        if found is None:
            return []
        if found.left:
            said = f"The recorder has ended. {found.entries} entries were on no disk and are lost."
            rows: list[Row] = [[(line, "bad")] for line in wrap(said, width, 2)]
        else:
            said = (
                f"{found.entries} entries are on no disk, because none of the record's disks takes them. They are kept "
                "in memory while this machine runs, and it is tried again every two seconds."
            )
            rows = [[(line, "bad")] for line in wrap(said, width, 3)]
            what = "Make space on a disk of the record, or name a directory on another one, such as a stick."
            rows += [[(line, "strong")] for line in wrap(what, width, 2)]
        for sentence in (found.place_said, self._named if not found.place_said else ""):
            rows += [[(line, "wait")] for line in wrap(clean(sentence), width, 3)] if sentence else []
        if found.operators:
            rows += [[], [("As a last resort, copy these by hand:", "strong")]]
        for entry in found.operators:
            rows += [
                [(("  " if y else "· ") + line, "plain")] for y, line in enumerate(wrap(clean(entry), width - 2, 9))
            ]
        return rows

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Names the directory."""
        event.stop()
        text = event.value.strip()
        if text and self._source is not None:
            self._source.name_place(Path(text).expanduser())
            self._named = f"Trying {text} …"
        self.set_focus(None)
        self.redraw()

    def press(self, key: str, character: str | None) -> bool:
        """Type a directory, or give up in two steps."""
        found = self._unclosed()
        if self._source is None or found is None or found.left:
            return False
        gives_up, self._gives_up = self._gives_up, False
        if character == "d":
            self.set_focus(self.query_one(Input))
        elif character == "x" and gives_up:
            self._source.leave_unsaved()
        elif character == "x":
            self._gives_up = True
        else:
            return False
        self.redraw()
        return True

    def give_up(self, key: str) -> None:
        """Esc takes back the first x, and leaves the line, before it closes."""
        if self._gives_up or isinstance(self.focused, Input):
            self._gives_up = False
            self.set_focus(None)
            self.redraw()
        else:
            super().give_up(key)

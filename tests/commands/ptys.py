"""A command in a pseudo terminal of its own, and what stands on the terminal's screen by what was written to it."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Callable

SEQUENCE = re.compile(
    r"\x1b\[([0-9;?<>=]*)([ -/]*)([@-~])|\x1b[PX^_\]][^\x07\x1b]*(?:\x07|\x1b\\)|\x1b[()][0-9A-B]|\x1b[=>78cM]"
)
CUT_OFF = re.compile(rb"\x1b[^@-Z\\^_a-z]*$|[\xc0-\xff][\x80-\xbf]*$")
"""A sequence, or a character, whose end is still to come."""

NEVER = "\0"
"""A place that nothing was written to."""


class Glass:
    """The screen of a terminal: characters where they were put. Colours are of no concern here."""

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self.lines = [[NEVER] * columns for _ in range(rows)]
        self._x = self._y = 0
        self._rest = b""

    def write(self, piece: bytes) -> None:
        """What a program wrote; what lies outside the screen is dropped, as a terminal does at its edge."""
        piece = self._rest + piece
        cut = CUT_OFF.search(piece[-64:])
        whole = len(piece) if cut is None else len(piece) - len(piece[-64:]) + cut.start()
        try:
            text = piece[:whole].decode()
            self._rest = piece[whole:]
        except UnicodeDecodeError:  # the newest character is cut nearer to its end than the pattern sees
            text, self._rest = piece.decode(errors="ignore"), b""
        at = 0
        for found in SEQUENCE.finditer(text):
            self._put(text[at : found.start()])
            self._obey(found)
            at = found.end()
        self._put(text[at:])

    def text(self) -> str:
        """What can be read, line by line."""
        return "\n".join("".join(line).replace(NEVER, " ").rstrip() for line in self.lines)

    @property
    def is_whole(self) -> bool:
        """Whether each place has been written to."""
        return not any(NEVER in line for line in self.lines)

    def _obey(self, found: re.Match[str]) -> None:
        numbers, final = found[1] or "", found[3]
        if final == "H":
            row, _, column = numbers.partition(";")
            self._x, self._y = int(column or 1) - 1, int(row or 1) - 1
        elif final == "J" and numbers == "2":
            self.lines = [[" "] * self.columns for _ in range(self.rows)]
        elif final in ("A", "B", "C", "D"):
            by = int(numbers or 1)
            self._x += {"C": by, "D": -by}.get(final, 0)
            self._y += {"B": by, "A": -by}.get(final, 0)

    def _put(self, text: str) -> None:
        for character in text:
            if character == "\r":
                self._x = 0
            elif character == "\n":
                self._y += 1
            elif character >= " ":
                if 0 <= self._y < self.rows and 0 <= self._x < self.columns:
                    self.lines[self._y][self._x] = character
                self._x += 1


class Pty:
    """A command whose controlling terminal is ours: the system sends it SIGWINCH when we give it another size."""

    def __init__(self, line: list[str], columns: int, rows: int) -> None:
        self._fd, inner = pty.openpty()
        self.glass = Glass(columns, rows)
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.process = subprocess.Popen(
            line,
            stdin=inner,
            stdout=inner,
            stderr=inner,
            # COLUMNS and LINES as a shell exports them, and as they are no more after the first resize
            env={**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor", "COLUMNS": "80", "LINES": "24"},
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(inner)

    def resize(self, columns: int, rows: int) -> None:
        """Another size, by the call that a terminal program makes; what was on the screen is forgotten."""
        self.read()
        fcntl.ioctl(self._fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.glass = Glass(columns, rows)

    def type(self, keys: str) -> None:
        """Presses keys."""
        os.write(self._fd, keys.encode())

    def read(self, wait_s: float = 0.0) -> None:
        """Takes what was written, waiting so long for the first of it."""
        while select.select([self._fd], [], [], wait_s)[0]:
            try:
                self.glass.write(os.read(self._fd, 1 << 16))
            except OSError:  # the other end is closed
                return
            wait_s = 0.0

    def until(self, what: str, condition: Callable[[], bool], deadline_s: float = 60.0) -> None:
        """Waits for a condition, drawing on the glass meanwhile."""
        end = time.monotonic() + deadline_s
        while True:
            # asked before the condition is, which may itself wait for the end: asked after it, an end in between fails
            running = self.process.poll() is None
            self.read(0.05)
            if condition():
                return
            assert running, f"the command ended before {what}:\n{self.glass.text()}"
            assert time.monotonic() < end, f"{what} did not come:\n{self.glass.text()}"

    def shows(self, *words: str) -> bool:
        """Whether all these words stand on the screen."""
        text = self.glass.text()
        return all(word in text for word in words)

    def hang_up(self) -> None:
        """Closes the terminal; the system tells the command so."""
        os.close(self._fd)

    def close(self) -> None:
        """Ends the command."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        os.close(self._fd)

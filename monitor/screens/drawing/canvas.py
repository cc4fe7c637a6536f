"""A grid of characters, each with a role (see `marks`): what every panel draws on and what tests read as text."""

from __future__ import annotations

import unicodedata

from rich.cells import cell_len, get_character_cell_size

BLANK = " "
PLAIN = "plain"
GROUND_ROLES = frozenset({PLAIN, "strong", "dim", "good", "wait", "own", "lead", "other", "edge", "trace"})
"""Roles whose blanks look alike: the screen's own ground, neither reversed nor underlined in any colours."""


class Canvas:
    """Width × height cells. What is put outside is cut off; a character two cells wide fills its second one with ""."""

    __slots__ = ("chars", "height", "roles", "width")

    def __init__(self, width: int, height: int, role: str = PLAIN) -> None:
        self.width = max(0, width)
        self.height = max(0, height)
        self.chars = [[BLANK] * self.width for _ in range(self.height)]
        self.roles = [[role] * self.width for _ in range(self.height)]

    def put(self, x: int, y: int, text: str, role: str = PLAIN, *, width: int | None = None) -> int:
        """Writes text from column x of row y, cut to `width` cells; gives the column after it."""
        end = self.width if width is None else min(self.width, x + width)
        if not 0 <= y < self.height:
            return x
        chars, roles = self.chars[y], self.roles[y]
        if text.isascii():
            first = max(x, 0)
            piece = text[first - x : max(end - x, first - x)]
            chars[first : first + len(piece)] = piece
            roles[first : first + len(piece)] = [role] * len(piece)
            return x + len(text) if x + len(text) < end else end
        for char in text:
            cells = get_character_cell_size(char)
            if cells == 0:
                continue
            if x + cells > end:
                break
            if x >= 0:
                chars[x] = char
                roles[x] = role
                if cells == 2:
                    chars[x + 1] = ""
                    roles[x + 1] = role
            x += cells
        return x

    def put_right(self, end: int, y: int, text: str, role: str = PLAIN) -> int:
        """Writes text so that it ends before column `end`; gives its first column."""
        x = end - cell_len(text)
        self.put(x, y, text, role)
        return x

    def fill(self, x: int, y: int, width: int, role: str, char: str = BLANK) -> None:
        """Fills a piece of a row with one character."""
        self.put(x, y, char * max(0, min(width, self.width - x)), role)

    def paint(self, y: int, role: str, x: int = 0, width: int | None = None) -> None:
        """Gives a piece of a row another role and leaves its characters."""
        if 0 <= y < self.height:
            end = self.width if width is None else min(self.width, x + width)
            self.roles[y][x:end] = [role] * (end - x)

    def lay(self, x: int, y: int, part: Canvas) -> None:
        """Lays another canvas onto this one, its corner at x, y; what comes to lie outside is cut off."""
        first, end = max(-x, 0), min(part.width, self.width - x)
        for row in range(max(-y, 0), min(part.height, self.height - y)):
            self.chars[y + row][x + first : x + end] = part.chars[row][first:end]
            self.roles[y + row][x + first : x + end] = part.roles[row][first:end]

    def runs(self, y: int, end: int | None = None) -> list[tuple[str, str]]:
        """The row (up to column `end`) as (text, role) pieces; a blank takes the role before it where both have the
        screen's own ground, because every change of style costs some 45 bytes on the line."""
        chars, out = self.chars[y], []
        start, role = 0, ""
        for at, own in enumerate(self.roles[y][:end]):
            if own == role or (chars[at] == BLANK and own in GROUND_ROLES and role in GROUND_ROLES):
                continue
            if at > start:
                out.append(("".join(chars[start:at]), role))
            start, role = at, own
        stop = len(chars) if end is None else min(end, len(chars))
        if stop > start:
            out.append(("".join(chars[start:stop]), role))
        return out

    def line(self, y: int) -> str:
        """The row's text."""
        return "".join(self.chars[y])

    def text(self) -> str:
        """All rows, without blanks at their ends."""
        return "\n".join(self.line(y).rstrip() for y in range(self.height))

    def changed_rows(self, before: Canvas | None) -> list[tuple[int, int]]:
        """Rows that differ from a canvas drawn before, each with the column after its last change.

        The toolkit sends a changed row from the widget's left edge to the end of the change (whatever its beginning),
        so two pieces in one row would be sent as one and a half: hence one piece a row, and narrow panels.
        """
        if before is None or (before.width, before.height) != (self.width, self.height):
            return [(y, self.width) for y in range(self.height)]
        rows = []
        for y in range(self.height):
            chars, roles = self.chars[y], self.roles[y]
            chars_before, roles_before = before.chars[y], before.roles[y]
            if chars == chars_before and roles == roles_before:
                continue
            x = self.width - 1
            while chars[x] == chars_before[x] and roles[x] == roles_before[x]:
                x -= 1
            rows.append((y, x + 1))
        return rows


def clean(text: str) -> str:
    """Text from outside made safe to show: no controls, escapes, joiners or pictograms, line ends as blanks."""
    if text.isascii() and text.isprintable():
        return text
    out = []
    for char in text:
        kind = unicodedata.category(char)
        if char in "\n\t\r":
            out.append(" ")
        elif kind in ("Cc", "Cf", "Cs", "Co", "Cn", "Mn", "Me", "Zl", "Zp") or not get_character_cell_size(char):
            continue
        elif kind == "So" and not 0x2800 <= ord(char) <= 0x28FF and not 0x2500 <= ord(char) <= 0x259F:
            out.append("?")
        else:
            out.append(char)
    return "".join(out)


def fit(text: str, width: int) -> str:
    """Text cut to `width` cells, with "…" where something was left out, filled with blanks."""
    length = cell_len(text)
    if length <= width:
        return text + BLANK * (width - length)
    if width <= 0:
        return ""
    kept = ""
    used = 0
    for char in text:
        cells = get_character_cell_size(char)
        if used + cells > width - 1:
            break
        kept += char
        used += cells
    return kept + "…" + BLANK * (width - 1 - used)


def wrap(text: str, width: int, lines: int) -> list[str]:
    """Text in at most `lines` lines of `width` cells, broken at blanks (not at no-break ones);
    the last one ends in "…" if cut."""
    if width <= 0 or lines <= 0:
        return []
    out = [""]
    words = text.replace("\n", " ").split(" ")
    for number, word in enumerate(words):
        if not word:
            continue
        joined = f"{out[-1]} {word}" if out[-1] else word
        if cell_len(joined) <= width:
            out[-1] = joined
        elif len(out) == lines:
            out[-1] = fit(" ".join([out[-1], *words[number:]]).strip(), width)
            break
        elif out[-1]:
            out.append(word)
        else:
            out[-1] = fit(word, width)
    return [fit(line, width).rstrip().replace("\u00a0", BLANK) for line in out]

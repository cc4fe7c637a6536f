"""Every mark, role and colour in one place. A state has a mark, a word and a place; its colour only repeats them.

Blue, orange and lavender instead of green, red and yellow: they stay apart for most people who see colours otherwise.
What is wrong is also reversed (dark on light), so that it stands out when all colour is gone.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.style import Style
from textual.theme import Theme

from monitor.following.heading.model import Tone
from monitor.following.heading.trials import VERDICT_TONES

__all__ = ["PALETTES", "THEMES", "VERDICT_TONES", "Palette", "Tone"]

MET, NOT_MET, UNDECIDED, OPEN = "█", "╳", "▒", "┊"

RESULT_MARKS = {"met": MET, "not met": NOT_MET, "undecided": UNDECIDED}
RESULT_TONES: dict[str, Tone] = {"met": "good", "not met": "bad", "undecided": "wait"}
VERDICT_MARKS = {"valid": MET, "invalid": NOT_MET, "undecided": UNDECIDED}
TONE_MARKS: dict[Tone, str] = {"good": MET, "bad": NOT_MET, "wait": UNDECIDED, "held": "▐", "plain": "│"}
SEVERITY_MARKS = {"void": NOT_MET, "doubtful": UNDECIDED, "note": "╌"}
SEVERITY_TONES: dict[str, Tone] = {"void": "bad", "doubtful": "wait", "note": "plain"}

TIMELINE_LETTERS = {
    "trigger": "T",
    "alert": "A",
    "task": "S",
    "note": "N",
    "loss": "░",
    "finding": "F",
    "pause": "P",
}
TIMELINE_WORDS = {
    "trigger": "trigger",
    "alert": "alert",
    "task": "search task",
    "note": "note",
    "loss": "frames lost",
    "finding": "finding",
    "pause": "pause",
}


@dataclass(frozen=True, slots=True)
class Palette:
    """Styles by role. Roles ending in "-slab" fill the large heading's ground; those ending in "-block" are for solid
    blocks, which reversed would be the ground."""

    styles: dict[str, Style]

    def style(self, role: str) -> Style:
        """The style of a role; an unknown one is drawn plain."""
        return self.styles.get(role) or self.styles.get(role.removesuffix("-block"), self.styles["plain"])


@dataclass(frozen=True, slots=True)
class _Colours:
    """The colours of a palette, as "#rrggbb"; `on_bad` is that of text on what is wrong."""

    ground: str
    text: str
    dim: str
    good: str
    bad: str
    wait: str
    raised: str
    band: str
    on_bad: str

    def palette(self) -> Palette:
        """Which role has which colour, on which ground."""

        def on(colour: str, back: str = self.ground, *, bold: bool = False) -> Style:
            return Style(color=colour, bgcolor=back, bold=bold)

        return Palette(
            {
                "plain": on(self.text),
                "strong": on(self.text, bold=True),
                "dim": on(self.dim),
                "good": on(self.good, bold=True),
                "bad": on(self.bad, bold=True),
                "wait": on(self.wait, bold=True),
                "good-slab": on(self.good, self.raised, bold=True),
                "bad-slab": on(self.on_bad, self.bad, bold=True),
                "wait-slab": on(self.wait, self.raised, bold=True),
                "held-slab": on(self.ground, self.wait, bold=True),
                "plain-slab": on(self.text, self.raised, bold=True),
                "title": on(self.dim, self.raised),
                "title-strong": on(self.text, self.raised, bold=True),
                "key": on(self.ground, self.dim, bold=True),
                "band": on(self.text, self.band),
                "trace": on(self.text),
                "own": on(self.text, bold=True),
                "lead": on(self.good, bold=True),
                "other": on(self.dim),
                "edge": on(self.dim),
                "alarm": on(self.on_bad, self.bad, bold=True),
            }
        )

    def theme(self, name: str, *, dark: bool) -> Theme:
        """The same colours for what Textual draws by itself."""
        return Theme(
            name=name,
            primary=self.good,
            secondary=self.wait,
            warning=self.bad,
            error=self.bad,
            success=self.good,
            accent=self.wait,
            foreground=self.text,
            background=self.ground,
            surface=self.raised,
            panel=self.raised,
            dark=dark,
        )


_DARK = _Colours("#0e1318", "#dfe5ea", "#8796a4", "#79b8ff", "#ffa24a", "#cdbdff", "#1d252d", "#223446", "#15100a")
_LIGHT = _Colours("#f7f5ef", "#1b2127", "#5d6670", "#0a4f9c", "#a84300", "#553a98", "#e6e2d8", "#d3e0ee", "#fffaf2")


_ANSI = Palette(
    {
        "plain": Style(),
        "strong": Style(bold=True),
        "dim": Style(dim=True),
        "good": Style(color="cyan", bold=True),
        "bad": Style(color="yellow", bold=True, reverse=True),
        "bad-block": Style(color="yellow", bold=True),
        "wait": Style(color="magenta", bold=True),
        "good-slab": Style(color="cyan", bold=True),
        "bad-slab": Style(color="yellow", bold=True, reverse=True),
        "wait-slab": Style(color="magenta", bold=True),
        "held-slab": Style(color="magenta", bold=True, reverse=True),
        "plain-slab": Style(bold=True),
        "title": Style(underline=True),
        "title-strong": Style(bold=True, underline=True),
        "key": Style(bold=True, reverse=True),
        "band": Style(bold=True),
        "trace": Style(),
        "own": Style(bold=True),
        "lead": Style(color="cyan", bold=True),
        "other": Style(),
        "edge": Style(dim=True),
        "alarm": Style(color="yellow", bold=True, reverse=True),
    }
)

WITHOUT_COLOUR = Palette(
    {
        role: Style(bold=one.bold, dim=one.dim, reverse=one.reverse, underline=one.underline)
        for role, one in _ANSI.styles.items()
    }
)
"""For terminals of sixteen colours where none is wanted: a filter makes black of them, on whatever ground there is."""

PALETTES: dict[str, Palette] = {
    "dark": _DARK.palette(),
    "light": _LIGHT.palette(),
    "sixteen": _ANSI,
}

THEMES: tuple[Theme, ...] = (
    _DARK.theme("dark", dark=True),
    _LIGHT.theme("light", dark=False),
    Theme(
        name="sixteen",
        ansi=True,
        primary="ansi_cyan",
        secondary="ansi_magenta",
        warning="ansi_yellow",
        error="ansi_yellow",
        success="ansi_cyan",
        accent="ansi_magenta",
        foreground="ansi_default",
        background="ansi_default",
        surface="ansi_default",
        panel="ansi_default",
        boost="ansi_default",
        dark=True,
        variables={
            "ansi-background": "ansi_default",
            "ansi-foreground": "ansi_default",
            "input-cursor-background": "ansi_default",
            "input-cursor-foreground": "ansi_default",
            "input-cursor-text-style": "reverse",
            "block-cursor-background": "ansi_default",
            "block-cursor-foreground": "ansi_default",
            "block-cursor-text-style": "reverse",
        },
    ),
)

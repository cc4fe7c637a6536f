"""Pictures as SVG: shapes with classes, whose colours the page's style gives, so that they suit light, dark and paper.

Coordinates are in the picture's own units, which are pixels where it is shown at full width; y goes down.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape

WIDTH = 960.0
"""Of every picture: what fits a page of paper and a screen."""


@dataclass(slots=True)
class Picture:
    """Shapes in the order in which they are drawn."""

    height: float
    parts: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """A straight line."""
        self.parts.append(f'<line class="{kind}" x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"/>')

    def path(self, points: Sequence[tuple[float, float]], kind: str) -> None:
        """A line through points; it is broken where one is NaN."""
        parts, drawn = [], False
        for x, y in points:
            if math.isnan(y) or math.isnan(x):
                drawn = False
                continue
            parts.append(f"{'L' if drawn else 'M'}{_n(x)} {_n(y)}")
            drawn = True
        if parts:
            self.parts.append(f'<path class="{kind}" d="{"".join(parts)}"/>')

    def shape(self, points: Sequence[tuple[float, float]], kind: str) -> None:
        """A closed, filled shape."""
        if points:
            self.parts.append(f'<polygon class="{kind}" points="{" ".join(f"{_n(x)},{_n(y)}" for x, y in points)}"/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """A rectangle; one of no width is drawn a pixel wide."""
        size = f'width="{_n(max(width, 1.0))}" height="{_n(max(height, 1.0))}"'
        self.parts.append(f'<rect class="{kind}" x="{_n(x)}" y="{_n(y)}" {size}/>')

    def dot(self, x: float, y: float, radius: float, kind: str) -> None:
        """A circle."""
        self.parts.append(f'<circle class="{kind}" cx="{_n(x)}" cy="{_n(y)}" r="{_n(radius)}"/>')

    def text(self, x: float, y: float, words: str, kind: str = "label", anchor: str = "start") -> None:
        """Words; `y` is their base line, `anchor` is start, middle or end."""
        self.parts.append(
            f'<text class="{kind}" x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}">{escape(plain(words))}</text>'
        )

    def verdict(self, x: float, y: float, verdict: str, half: float = 6.0) -> None:
        """The verdict's mark about a place: a full square, a cross, a hatched square. The word stands beside it."""
        if verdict == "invalid":
            self.line(x - half, y - half, x + half, y + half, "cross")
            self.line(x - half, y + half, x + half, y - half, "cross")
        elif verdict == "valid":
            self.box(x - half, y - half, 2 * half, 2 * half, "full")
        else:
            self.box(x - half, y - half, 2 * half, 2 * half, "open")
            for at in (-0.4, 0.2, 0.8):
                self.line(x - half, y + half * at + half * 0.2, x + half * (at + 0.2), y - half, "hatch")

    def done(self, title: str, about: str) -> str:
        """The whole picture; `about` says in words what it shows, for whoever cannot see it."""
        return (
            f'<svg class="picture" viewBox="-1 0 {_n(WIDTH + 2)} {_n(self.height)}" role="img" '
            f'aria-label="{escape(plain(title))}"><title>{escape(plain(title))}</title>'
            f"<desc>{escape(plain(about))}</desc>{''.join(self.parts)}</svg>"
        )


@dataclass(frozen=True, slots=True)
class Scale:
    """From values to coordinates, linear."""

    low: float
    high: float
    begin: float
    end: float

    def at(self, value: float) -> float:
        """The coordinate of a value."""
        span = self.high - self.low
        return self.begin if span == 0.0 else self.begin + (value - self.low) / span * (self.end - self.begin)

    def kept(self, value: float) -> float:
        """The coordinate, not beyond the ends."""
        return self.at(min(max(value, self.low), self.high))

    def ticks(self, most: int = 6) -> list[float]:
        """Round values on the scale, at most about so many."""
        span = self.high - self.low
        if span <= 0.0 or not math.isfinite(span):
            return [self.low]
        raw = span / max(most, 1)
        power = 10.0 ** math.floor(math.log10(raw))
        step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * (1.0 - 1e-9))
        first = math.ceil(self.low / step - 1e-9)
        return [round(index * step, 10) for index in range(first, math.floor(self.high / step + 1e-9) + 1)]


def around(values: Iterable[float], *, least_span: float = 0.0, include: Iterable[float] = ()) -> tuple[float, float]:
    """Lowest and highest finite value with some room; (0, 1) for none."""
    known = [one for one in (*values, *include) if math.isfinite(one)]
    if not known:
        return 0.0, 1.0
    low, high = min(known), max(known)
    missing = max(least_span - (high - low), 0.0)
    low, high = low - missing / 2.0, high + missing / 2.0
    room = 0.06 * (high - low) or 0.5
    return low - room, high + room


def plain(text: str) -> str:
    """A text in one line without control characters, which no XML may hold."""
    return "".join(one if one.isprintable() else "\N{REPLACEMENT CHARACTER}" for one in " ".join(text.split()))


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if math.isfinite(value) else "0"

"""Pictures of the screen that look the same in every viewer.

A picture places each piece of text and leaves it to the viewer to keep the blanks in it; some drop those at a piece's
beginning, or know no monospaced width for dots and blocks, and the rest of the row slips to the left. So every piece is
cut at runs of blanks and each part is placed by itself.
"""

from __future__ import annotations

import html
import re

_TEXT = re.compile(
    r'<text class="(?P<style>[^"]*)" x="(?P<x>[\d.]+)" y="(?P<y>[\d.]+)" textLength="(?P<length>[\d.]+)" '
    r'clip-path="(?P<clip>[^"]*)">(?P<text>[^<]*)</text>'
)
_BLANK = "\u00a0"
_PARTS = re.compile(f"[^{_BLANK}]+(?:{_BLANK}[^{_BLANK}]+)*")
"""Words with single blanks between them."""


def placed(svg: str) -> str:
    """The picture with each part of its text at its own place."""
    return _TEXT.sub(_in_parts, svg)


def _in_parts(piece: re.Match[str]) -> str:
    text = html.unescape(piece["text"])
    if not text:
        return piece[0]
    cell = float(piece["length"]) / len(text)
    parts = [(found.start(), found[0]) for found in _PARTS.finditer(text)]
    return "".join(
        f'<text class="{piece["style"]}" x="{float(piece["x"]) + start * cell:g}" y="{piece["y"]}" '
        f'textLength="{len(part) * cell:g}" clip-path="{piece["clip"]}">'
        f"{html.escape(part).replace(_BLANK, '&#160;')}</text>"
        for start, part in parts
    )

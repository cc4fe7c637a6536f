"""Small channel maps for tests: a whole one, and with parts replaced."""

from __future__ import annotations

OWN = """
x = "X"
y = "Y"
heading = "H"
speed = "V"
accel = "A"
length = { constant = 4.6 }
width = { constant = 1.8 }
"""


def map_text(
    own: str = OWN, more: str = "", source: str = 'kind = "csv"', time: str = 'from = "T"', axes: str = ""
) -> str:
    """A map of one own car; `more` is appended."""
    sections = {"source": source, "time": time, "axes": axes, "own": own}
    body = "".join(f"[{name}]\n{text}\n\n" for name, text in sections.items())
    return f'[feed]\nsource = "test"\nrate_hz = 60\n\n{body}{more}\n'

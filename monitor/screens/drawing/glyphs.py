"""Large digits and letters of our own, six dots high, drawn with half blocks: three rows of text, six when doubled."""

from __future__ import annotations

from functools import lru_cache

DOTS_HIGH = 6

# Two dots thick across, so that a digit is told from its neighbours at two metres.
_BOLD = {
    "0": ".###. ##.## ##.## ##.## ##.## .###.",
    "1": "..##. .###. ..##. ..##. ..##. .####",
    "2": "####. ...## ...## .###. ##... #####",
    "3": "####. ...## .###. ...## ...## ####.",
    "4": "##.## ##.## ##.## ##### ...## ...##",
    "5": "##### ##... ####. ...## ...## ####.",
    "6": ".###. ##... ####. ##.## ##.## .###.",
    "7": "##### ...## ..##. ..##. .##.. .##..",
    "8": ".###. ##.## .###. ##.## ##.## .###.",
    "9": ".###. ##.## ##.## .#### ...## .###.",
    ".": ".. .. .. .. ## ##",
    "-": "... ... ... ### ... ...",
}

_SLIM = {
    " ": ".. .. .. .. .. ..",
    "0": ".##. #..# #..# #..# #..# .##.",
    "1": ".#. ##. .#. .#. .#. ###",
    "2": "###. ...# ...# .##. #... ####",
    "3": "###. ...# .##. ...# ...# ###.",
    "4": "#..# #..# #..# #### ...# ...#",
    "5": "#### #... ###. ...# ...# ###.",
    "6": ".##. #... ###. #..# #..# .##.",
    "7": "#### ...# ..#. ..#. .#.. .#..",
    "8": ".##. #..# .##. #..# #..# .##.",
    "9": ".##. #..# #..# .### ...# .##.",
    ".": ". . . . . #",
    "-": "... ... ... ### ... ...",
    "?": "###. ...# .##. .#.. .... .#..",
    "A": ".##. #..# #..# #### #..# #..#",
    "B": "###. #..# ###. #..# #..# ###.",
    "C": ".### #... #... #... #... .###",
    "D": "###. #..# #..# #..# #..# ###.",
    "E": "#### #... ###. #... #... ####",
    "F": "#### #... ###. #... #... #...",
    "G": ".### #... #... #.## #..# .###",
    "H": "#..# #..# #### #..# #..# #..#",
    "I": "### .#. .#. .#. .#. ###",
    "K": "#..# #.#. ##.. ##.. #.#. #..#",
    "L": "#... #... #... #... #... ####",
    "M": "#...# ##.## #.#.# #.#.# #...# #...#",
    "N": "#..# ##.# ##.# #.## #.## #..#",
    "O": ".##. #..# #..# #..# #..# .##.",
    "P": "###. #..# #..# ###. #... #...",
    "R": "###. #..# #..# ###. #.#. #..#",
    "S": ".### #... .##. ...# ...# ###.",
    "T": "##### ..#.. ..#.. ..#.. ..#.. ..#..",
    "U": "#..# #..# #..# #..# #..# .##.",
    "V": "#...# #...# #...# .#.#. .#.#. ..#..",
    "W": "#...# #...# #.#.# #.#.# ##.## #...#",
    "Y": "#...# #...# .#.#. ..#.. ..#.. ..#..",
    "Z": "#### ...# ..#. .#.. #... ####",
}

_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


@lru_cache(maxsize=512)
def large(text: str, *, bold: bool = False, scale: int = 1) -> tuple[str, ...]:
    """The text in 3 × scale rows, all of one width. Characters without a glyph are left out."""
    font = _BOLD if bold else _SLIM
    rows = [""] * DOTS_HIGH
    for char in text.replace("−", "-").upper():
        glyph = font.get(char)
        if glyph is None:
            continue
        for number, dots in enumerate(glyph.split(" ")):
            rows[number] += ("." if rows[number] else "") + dots
    wide = ["".join(dot * scale for dot in row) for row in rows for _ in range(scale)]
    return tuple(
        "".join(_HALVES[above == "#", below == "#"] for above, below in zip(wide[y], wide[y + 1], strict=True))
        for y in range(0, DOTS_HIGH * scale, 2)
    )


def large_width(text: str, *, bold: bool = False, scale: int = 1) -> int:
    """Cells that `large` needs for the text."""
    return len(large(text, bold=bold, scale=scale)[0])

"""A page of HTML: everything in one file, nothing fetched from anywhere, nothing that runs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from html import escape
from importlib.resources import files

from monitor import __version__
from monitor.reports.closeout.sections import Section, Table
from monitor.reports.page.svg import plain

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
"""What a browser may do with the page: draw it."""
CAUTION = (
    "Written by trialwitness {version}, which only listens and records. It is no safety device and replaces no rule of "
    "the facility."
)


def page(title: str, parts: Iterable[str], digest_words: str) -> str:
    """The whole document. `digest_words` says from which records it was made."""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{words(title)}</title>\n<style>\n{_style()}\n</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(parts)
        + f"\n<footer><p>{words(digest_words)}</p><p>{words(CAUTION.format(version=__version__))}</p></footer>\n"
        "</main>\n</body>\n</html>\n"
    )


@cache
def _style() -> str:
    return files(__package__).joinpath("style.css").read_text(encoding="utf-8").strip()


def words(text: str) -> str:
    """A text that is not taken for markup, whoever wrote it."""
    return escape(plain(text), quote=True)


def heading(level: int, text: str) -> str:
    """A heading."""
    return f"<h{level}>{words(text)}</h{level}>"


def paragraph(text: str, kind: str = "") -> str:
    """A paragraph, of a class of the style where one is named."""
    return f'<p class="{kind}">{words(text)}</p>' if kind else f"<p>{words(text)}</p>"


def points(sentences: Sequence[str]) -> str:
    """A list of sentences; nothing for none."""
    return "<ul>" + "".join(f"<li>{words(one)}</li>" for one in sentences) + "</ul>" if sentences else ""


def cautions(sentences: Sequence[str]) -> str:
    """Sentences that nobody may overlook."""
    return "".join(paragraph(f"Caution: {one}", "caution") for one in sentences)


def chips(trials: Iterable[tuple[str, str]]) -> str:
    """What each trial came to: (name, verdict)."""
    shown = "".join(f'<span class="chip {words(one)}">{words(name)}: {words(one)}</span>' for name, one in trials)
    return f'<div class="chips">{shown}</div>' if shown else ""


def figure(picture: str, caption: str) -> str:
    """A picture with words below it."""
    return f'<figure><div class="scroll">{picture}</div><figcaption>{words(caption)}</figcaption></figure>'


def table(shown: Table, numbers: Iterable[int] = (), long: Iterable[int] = ()) -> str:
    """A table; the columns `numbers` end at the right, `long` ones may be broken anywhere."""
    numbers, long = set(numbers), set(long)

    def cell(tag: str, place: int, text: str) -> str:
        kind = ' class="n"' if place in numbers else ' class="long"' if place in long and tag == "td" else ""
        return f"<{tag}{kind}>{words(text)}</{tag}>"

    head = ""
    if any(shown.heading):
        head = (
            "<thead><tr>" + "".join(cell("th", place, one) for place, one in enumerate(shown.heading)) + "</tr></thead>"
        )
    rows = "".join(
        "<tr>" + "".join(cell("td", place, one) for place, one in enumerate(row)) + "</tr>" for row in shown.rows
    )
    return f'<div class="scroll"><table>{head}<tbody>{rows}</tbody></table></div>'


def section(one: Section) -> str:
    """A section of a close-out as it stands there."""
    parts = [heading(one.level, one.heading), points(one.sentences)]
    if one.table is not None:
        last = len(one.table.heading) - 1
        parts.append(table(one.table, long=(last,)))
    return "\n".join(part for part in parts if part)

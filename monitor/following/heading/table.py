"""The order of what heads the screen: the first row that applies is the heading, the next stands in its second line.

A pure function of the view. The order is the contract; `tests/following/test_heading.py` walks it.
"""

from __future__ import annotations

from collections.abc import Callable

from monitor.following.heading.coming import hidden, hold, later, losing, no_trigger, not_yet, ready, saved
from monitor.following.heading.model import Heading
from monitor.following.heading.run import (
    behind,
    between_drives,
    is_followed,
    not_recording,
    paused,
    practice,
    silent,
    stop,
    unattended,
)
from monitor.following.heading.trials import fired, said_of, to_rule, unseen, verdict, waiting
from monitor.following.view import LiveView

Applies = Callable[[LiveView], Heading | None]

ROWS: tuple[tuple[str, Applies], ...] = (
    ("stop", stop),
    ("not recording", not_recording),
    ("unattended", unattended),
    ("behind", behind),
    ("silent", silent),
    ("paused", paused),
    ("between drives", between_drives),
    ("practice", practice),
    ("fired", fired),
    ("verdict", verdict),
    ("saved", saved),
    ("not yet", not_yet),
    ("losing", losing),
    ("hold", hold),
    ("to rule", to_rule),
    ("hidden", hidden),
    ("later", later),
    ("ready", ready),
    ("no trigger", no_trigger),
)

COMING = ("not yet", "losing", "hold", "hidden", "later", "ready")
"""Rows that speak of the coming trial: the first of them stands over its ladder, below `ABOVE`."""

ABOVE = ("stop", "not recording", "behind")
"""Rows of the whole run that stand over the ladder before all that is said of the coming trial."""

OF_THIS_MOMENT = frozenset((*COMING, "paused", "between drives", "practice", "saved", "no trigger"))
"""Rows that say how the drive stands or goes on: nobody knows it while the view is not of this moment."""

NOT_KNOWN = Heading("wait", "NOT KNOWN", sentence="What comes next is not known.", now="the next picture tells")
"""Where no row applies."""


def headings(view: LiveView) -> list[tuple[str, Heading]]:
    """All rows that apply, the most pressing first, without two that say the same."""
    found: list[tuple[str, Heading]] = []
    followed, coming = is_followed(view), False
    for name, applies in ROWS:
        if (name in COMING and coming) or (name in OF_THIS_MOMENT and not followed):
            continue  # one word for the coming trial, the first that applies
        heading = applies(view)
        if heading is not None and all(heading != other for _, other in found):
            coming = coming or name in COMING
            found.append((name, heading))
    return _by_time_left(found) or [("not known", NOT_KNOWN)]


def to_acknowledge(view: LiveView, in_sight: int = 2) -> tuple[str, str] | None:
    """Trial and word of the verdict that nobody has acknowledged and that heads the screen, or stands second where so
    many headings are in sight. A trial of which it is only counted that it waits was told by nobody."""
    unread = unseen(view)
    for name, _ in headings(view)[:in_sight] if unread else ():
        if name == "verdict":
            return said_of(unread[0])
        if name == "to rule" and not view.contested and waiting(view)[0] in unread:
            return said_of(waiting(view)[0])
    return None


def _by_time_left(found: list[tuple[str, Heading]]) -> list[tuple[str, Heading]]:
    """Of a trial that can still be saved and one that is being lost the one with less time left comes first."""
    names = [name for name, _ in found]
    if "saved" in names and "losing" in names:
        at, other = names.index("saved"), names.index("losing")
        save_s, lose_s = found[at][1].seconds, found[other][1].seconds
        if lose_s is not None and (save_s is None or lose_s < save_s):
            found.insert(at, found.pop(other))
    return found


def over_the_ladder(view: LiveView) -> Heading | None:
    """What stands over the ladder of the coming trial; None where none comes."""
    if view.outlook is None:
        return None
    rules = dict(ROWS)
    names = (*ABOVE, *COMING) if is_followed(view) else ABOVE
    return next((heading for name in names if (heading := rules[name](view)) is not None), None)

"""Asks somebody in the seat by one key each how an alert was perceived: an amplifier that is turned down passes every
other test."""

from __future__ import annotations

import os
import select
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from monitor.commands.shared.printing import say
from monitor.errors import WitnessError

if TYPE_CHECKING:
    from monitor.study.model import Study

KEYS = {"h": "heard", "f": "felt", "s": "seen", "n": "no"}
ANSWER_WITHIN_S = 300.0
"""Then it stays unanswered, which the page says."""


def in_the_seat_of(study: Study, given: list[str]) -> Callable[[], Iterator[dict[str, Any]]]:
    """What will ask: gives the operator's entries of the answers, those on the command line first.

    Raises `WitnessError` for an answer on the command line that is none, before anything is driven.
    """
    rule = study.day.rehearsal
    wanted = {one.name: one for one in rule.perceived} if rule is not None else {}
    answers: dict[str, str] = {}
    for text in given:
        name, _, answer = text.rpartition("=")
        if name not in wanted or answer not in KEYS.values():
            names = ", ".join(wanted) or "none"
            raise WitnessError(
                f"--perceived {text}: it needs ALERT=ANSWER with an alert of [[rehearsal.perceived]] ({names}) and "
                f"{', '.join(KEYS.values())}."
            )
        answers[name] = answer

    def ask() -> Iterator[dict[str, Any]]:
        for name in wanted:
            answer = answers.get(name) or _key(name)
            if answer:
                yield {"type": "perceived", "name": name, "answer": answer}

    return ask


def _key(name: str) -> str | None:
    """One key on the terminal; None where there is no terminal, or nobody answers."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor)  # drops what was typed before it was asked
        say(f"In the seat: {name}?   h heard   f felt   s seen   n no   Enter: not asked")
        while select.select([descriptor], [], [], ANSWER_WITHIN_S)[0]:
            typed = os.read(descriptor, 1).decode("latin-1").lower()
            if typed in KEYS:
                say(f"  {KEYS[typed]}")
                return KEYS[typed]
            if typed in ("\n", "\r", ""):
                return None
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
    return None

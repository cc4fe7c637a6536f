"""A look at responses, from its entry until what it was entered for has been given; and what is said where that ends
early, whatever ends it."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands.shared.interrupting import Interrupted, interruptible
from monitor.commands.shared.printing import lost_output, refuse_without_reader, say
from monitor.named_files import unfinished

if TYPE_CHECKING:
    from monitor.archive.gathering import Gathered
    from monitor.archive.looks import Look


class Looking:
    """What a command that shows responses has entered so far."""

    def __init__(self, options: argparse.Namespace, command: str, asked: interruptible) -> None:
        self.options, self.command, self._asked = options, command, asked
        self.looks: list[Look] = []

    @property
    def number(self) -> int | None:
        """The look that was entered; None: none."""
        return self.looks[-1].number if self.looks else None

    def enter(self, what: dict[str, Any], found: Gathered) -> Look:
        """Enters the look in the audit file, and says what is wrong with that file, and which looks before were cut
        off. Raises `WitnessError` where nothing could be shown."""
        from monitor.archive.looks import cut_off_looks, enter_look
        from monitor.following.live import operator_name

        refuse_without_reader("no look is entered, and nothing is shown")
        directory, by = Path(self.options.directory), self.options.by or operator_name()
        for sentence in cut_off_looks(directory):
            say(sentence)
        analysis = {"why": self.options.why, **what, **_study_files(self.options, found)}
        digests = {run.record_id: run.digest for run in found.runs}
        with self._asked.puts_off():  # or a look might be entered of which we did not know
            look = enter_look(directory, by, self.command, analysis, digests)
            self.looks.append(look)
        if look.fault:
            say(look.fault)
        return look


@contextmanager
def until_given(options: argparse.Namespace, command: str, out: Path | None = None) -> Iterator[Looking]:
    """While it holds all that a command gives is given: `out`, or what it prints. Where that ends early it is said that
    a look that was entered counts, and of one that was interrupted whether anything has its name."""
    asked = interruptible()
    looking = Looking(options, command, asked)
    try:
        with asked:
            yield looking
    except BaseException as error:
        said = [*(_what_is_left(out) if isinstance(error, Interrupted) and out is not None and out.name else ())]
        said += [f"Look {one.number} is entered in {one.path}, and counts." for one in looking.looks]
        if said:
            lost_output(lambda: say(" ".join(said)))
        raise
    finally:
        for look in looking.looks:
            look.let_go()


def _what_is_left(out: Path) -> Iterator[str]:
    """What stands under a name, or beside it, once whoever was to write it was interrupted."""
    beside = unfinished(out)
    if os.path.lexists(beside):
        yield f"Interrupted: nothing has the name {out}; {beside} lies beside it, is not whole, and may hold responses."
    elif os.path.lexists(out) and not (out.is_dir() and not os.listdir(out)):
        yield f"Interrupted: {out} stands there, whole."
    else:
        yield f"Interrupted: nothing has the name {out}, and nothing is left of what was written."


def _study_files(options: argparse.Namespace, found: Gathered) -> dict[str, Any]:
    """The digests of the study files by which the records were judged, for the look file: and of another file than
    their own, where one was given."""
    own = {one.name: [part.study.sha256 for part in one.files] for one in found.studies}
    other = next((part.study.sha256 for one in found.studies for part in one.files), None) if options.study else None
    return {"studies": own, "judged_by": other}

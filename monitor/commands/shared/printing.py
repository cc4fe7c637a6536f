"""What commands print: JSON documents for programs, sentences for people. Data goes to stdout, the rest to stderr."""

from __future__ import annotations

import io
import json
import os
import select
import signal
import stat
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from monitor.errors import WitnessError
from monitor.feed.limits import harmless as harmless

if TYPE_CHECKING:
    from monitor.judging.case.trial import ConditionResult, Trial


def print_json(document: Any) -> None:
    """One JSON document on one line; never NaN."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False) + "\n")
    sys.stdout.flush()


def say(sentence: str) -> None:
    """A diagnostic for people, on stderr."""
    print(sentence, file=sys.stderr, flush=True)


def lost_output(write: Callable[[], None]) -> int | None:
    """Says something. Where nobody can read it any more that fails nothing, and the signal is given that it comes to:
    PIPE where the reader has gone, HUP where the terminal has, or where it cannot be written for another reason."""
    try:
        write()
    except OSError as error:
        let_go_of_dead_outputs()
        return signal.SIGPIPE if isinstance(error, BrokenPipeError) else signal.SIGHUP
    return None


def let_go_of_dead_outputs() -> None:
    """Puts each of standard output and error that takes nothing any more on the null device: what waits there to be
    written would fail at the next word, and at the process's end."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, stream.fileno())
            os.close(null)


ROOM_BYTES = 1 << 20
"""What has to be free on the disk of a file into which a look is printed; a comparison has some kB."""


def refuse_without_reader(so: str) -> None:
    """Raises `WitnessError` where standard output is closed, a pipe whose reader has gone, or a file on a full disk, so
    that nothing is given away for what nobody can read; `so` says what does not happen."""
    if getattr(sys.stdout, "name", None) == os.devnull:  # it was closed when we were started (`main`)
        raise WitnessError(f"Standard output is closed: {so}.")
    try:
        descriptor = sys.stdout.fileno()
        is_file = stat.S_ISREG(os.fstat(descriptor).st_mode)
    except io.UnsupportedOperation:  # kept in memory by whoever calls us
        return
    except (OSError, ValueError, AttributeError) as error:
        raise WitnessError(f"Standard output is closed: {so}.") from error
    disk = os.fstatvfs(descriptor) if is_file else None
    if disk is not None and disk.f_blocks and disk.f_bavail * disk.f_frsize < ROOM_BYTES:  # of no blocks: not known
        raise WitnessError(f"The disk of standard output is full: {so}.")
    watched = select.poll()
    watched.register(descriptor, 0)  # errors are told in any case
    if any(event & (select.POLLERR | select.POLLHUP | select.POLLNVAL) for _, event in watched.poll(0)):
        raise WitnessError(f"Nobody reads standard output: {so}.")


TELL_EVERY_S = 0.5


def reading_line(what: str) -> Callable[[float | None, int], None]:
    """Tells on a terminal how far a long file has been read, in one line that is written anew and goes when it is
    done; nothing where it takes less than a moment, or where nobody looks."""
    last_s = time.monotonic()

    def told(part: float | None, frames: int) -> None:
        nonlocal last_s
        if not sys.stderr.isatty() or time.monotonic() - last_s < TELL_EVERY_S:
            return
        last_s = time.monotonic()
        share = "" if part is None else f" {100.0 * part:.0f} %,"
        print(f"\r\x1b[K{what}:{share} {frames} frames", end="\r", file=sys.stderr, flush=True)

    return told


def condition_line(condition: ConditionResult) -> str:
    """One condition in words: name, value, band, result."""
    value = condition.state or (
        f"{condition.value:.3g} {condition.unit}".rstrip() if condition.value is not None else ""
    )
    band = " or ".join(condition.any_of) or condition.band.words("")
    weight = "" if condition.required else " (advisory)"
    return f"{condition.result:<9}  {condition.name}{weight}: {value} [{band}]"


def trial_lines(trial: Trial) -> list[str]:
    """A trial in words: its verdict first, then why."""
    from monitor.judging.entered.rulings import rulings_in_words  # here: a simulator that says something judges nothing

    at = trial.told_fired_at
    fired = "not fired" if trial.fired_at is None else "fired, when is hidden" if at is None else f"fired at {at:.2f} s"
    treatment = "" if trial.treatment is None else f", treatment {harmless(trial.treatment)}"
    lines = [
        f"{trial.id}  {trial.effective.upper()}  {fired}, {trial.timing.result}, {trial.exposure_words}{treatment}"
    ]
    lines += [f"    {harmless(sentence)}" for sentence in rulings_in_words(trial)]
    lines += [f"    {condition_line(condition)}" for condition in trial.conditions]
    lines += [f"    {finding.severity:<9}  {finding.code}: {harmless(finding.sentence)}" for finding in trial.findings]
    if trial.alert.result not in ("not stated", "open"):
        lines.append(f"    alert      {trial.alert.result} ({' with '.join(trial.alert.given) or 'none'} given)")
    if trial.sources:
        from monitor.following.source_words import evidence_words

        lines.append(f"    clocks     {harmless(evidence_words(trial.sources))}")
    if trial.what_now:
        lines.append(f"    {trial.what_now}")
    return lines

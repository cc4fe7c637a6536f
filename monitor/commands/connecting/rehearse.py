"""`rehearse`: a drive by a member of staff in which every trigger, alert and task must fire; one go or no-go page."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.commands.shared.interrupting import interruptible
    from monitor.study.model import Study

KEYS = {"h": "heard", "f": "felt", "s": "seen", "n": "no"}
ANSWER_WITHIN_S = 300.0
"""Then it stays unanswered, which the page says."""


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("rehearse", help="does everything fire today? go or no-go", description=__doc__)
    parser.add_argument("--study", required=True, metavar="FILE")
    parser.add_argument(
        "--feed",
        default=[],
        action="append",
        metavar="ENDPOINT",
        help="such as tcp://simulator:5570; again for further sources (gaze, a task's tablet, an alert's sensor)",
    )
    parser.add_argument("--group", metavar="NAME", help="the alert of this group only (default: of every group)")
    parser.add_argument("--drives", type=int, metavar="N", help="at most so many drives (default: one for each group)")
    parser.add_argument("--records", default="records", metavar="DIR", help="where records are kept (default: records)")
    parser.add_argument(
        "--days",
        action="store_true",
        help="no drive: the newest kept rehearsal beside the goes before it",
    )
    parser.add_argument("--reference", metavar="FILE", help="compare with this kept page (default: the last go)")
    parser.add_argument(
        "--perceived",
        default=[],
        action="append",
        metavar="ALERT=ANSWER",
        help="how an alert of [[rehearsal.perceived]] was perceived in the seat: heard, felt, seen or no (default: "
        "asked by keys after the drive)",
    )
    parser.add_argument("--own-key", metavar="FILE", help="our secret CURVE key file")
    parser.add_argument("--simulator-key", metavar="FILE", help="the simulator's public CURVE key file")
    parser.add_argument("--by", metavar="WHO", help="who rehearses (default: the login name)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    import time
    from dataclasses import replace
    from pathlib import Path

    from monitor.archive.rehearsals import FOLDER, kept_pages, read_page, unreadable_pages
    from monitor.commands.shared.interrupting import Interrupted, interruptible
    from monitor.commands.shared.listening import curve_files, refuse_feeds
    from monitor.commands.shared.live_run import close_run
    from monitor.commands.shared.printing import harmless, print_json, say
    from monitor.commissioning.proving.anew import STAFF
    from monitor.commissioning.proving.words import proof_lines
    from monitor.commissioning.rehearsal.page import beside_earlier, keep_page, make_page
    from monitor.commissioning.rehearsal.rehearsed import judge_rehearsal
    from monitor.connect.opened_feeds import OpenedFeeds
    from monitor.errors import WitnessError
    from monitor.following.beginning import Driving, Listening, begin_run
    from monitor.following.live import operator_name
    from monitor.study.loading import load_study

    study = load_study(options.study)
    if options.group is not None and options.group not in study.groups:
        raise WitnessError(f"The study has no group {options.group!r}; it has {', '.join(study.groups)}.")
    if not options.feed and not options.days:
        raise WitnessError("rehearse needs the simulator's feed: --feed ENDPOINT (without a drive: --days).")
    groups = (options.group,) if options.group else tuple(study.groups)
    alerts = {study.groups[name].alert for name in groups}
    drives = options.drives if options.drives is not None else len(alerts)
    if drives < 1:
        raise WitnessError("--drives counts the drives; it needs at least one.")
    records = Path(options.records)
    in_the_seat = in_the_seat_of(study, options.perceived)
    left_out = unreadable_pages(records)
    for sentence in left_out:
        say(f"Left out: {sentence}")
    if options.days:
        return _print_days(kept_pages(records, study.name), study.name, options) or (1 if left_out else 0)
    reference = read_page(Path(options.reference)) if options.reference else None
    if reference is None:
        reference = next((page for page in reversed(kept_pages(records, study.name)) if page.get("go")), None)
    by = options.by or operator_name()
    refuse_feeds(options.feed)
    curve_files(options)
    with interruptible(puts_off=True) as asked:  # what has begun is ended, whenever that is asked for
        begun = begin_run(
            replace(study, participant_pattern=STAFF),
            Driving(STAFF, options.group, is_new=True),
            Listening(OpenedFeeds(options.feed).endpoints, options.own_key, options.simulator_key),
            records / FOLDER,
        )
        following = begun.follow(by)()
        try:
            asked.let_go()
            most = "one drive" if drives == 1 else f"at most {drives} drives, until everything has fired"
            say(f"Listening at {', '.join(options.feed)}. Drive now: {most}.")
            complete = _drive(following, study, groups, drives, asked)
            for fields in in_the_seat():
                following.post(fields)
            with asked.puts_off():
                if not close_run(following):
                    say(f"The recorder did not close the record; run: trialwitness recover {begun.record}")
        except Interrupted as interrupted:
            close_run(following)
            return 128 + interrupted.number
        finally:
            following.close()
    shown = judge_rehearsal(begun.record, study, groups)
    if not complete:
        shown.against.insert(0, "The feed fell silent before the rehearsal was over.")
    page = beside_earlier(make_page(study, shown, by, time.time(), reference), kept_pages(records, study.name))
    kept = keep_page(page, records)
    proof = _prove(begun.record, study) if shown.fired else None
    if options.json:
        print_json(page.as_json() | {"kept": str(kept), "limits": None if proof is None else proof.as_json()})
    else:
        print("\n".join(harmless(line) for line in page.sentences()))
        if proof is not None:
            print("\n".join(["", *(harmless(line) for line in proof_lines(proof, short=True))]))
        say(f"kept: {kept}")
    return 0 if page.go else 1


def _prove(record: Any, study: Any) -> Any:
    """The short form of what `prove` says of the rehearsal's own record."""
    from monitor.commands.shared.printing import say
    from monitor.commissioning.proving.limits import prove

    say("Trying what of this feed would be found untrue.")
    return prove(record, study, short=True)


def _print_days(pages: list[dict[str, Any]], study: str, options: argparse.Namespace) -> int:
    """The numbers of the newest kept rehearsal beside those of the goes before it, without a drive."""
    import shutil

    from monitor.commands.shared.printing import harmless, print_json
    from monitor.commissioning.rehearsal.run_chart import run_charts
    from monitor.errors import WitnessError

    if not pages:
        raise WitnessError(f"{options.records} holds no rehearsal of {study}.")
    charts = run_charts(pages[:-1], pages[-1])
    if options.json:
        print_json({"rehearsal": pages[-1]["name"], "over_days": [one.as_json() for one in charts]})
    else:
        print(f"Rehearsal {pages[-1]['name']} of {harmless(study)}, beside the goes before it:")
        width = shutil.get_terminal_size((120, 24)).columns
        print("\n".join(harmless(one.line(width)) for one in charts))
    return 1 if any(one.moved for one in charts) else 0


def _drive(following: Any, study: Any, groups: tuple[str, ...], drives: int, asked: interruptible) -> bool:
    """Follows until everything has fired and its drive is over, or so many drives are; False where it fell silent
    before everything had fired."""
    import time

    from monitor.commands.shared import live_run as shared
    from monitor.commissioning.rehearsal.rehearsed import RehearsalWatch
    from monitor.errors import RecorderLost

    began = time.monotonic()
    silence = shared.SilenceWatch()
    while True:
        with asked.puts_off():  # or the record could not be closed by whoever has missed something of it
            following.step(0.1)
        session = following.session
        if session is None:
            if time.monotonic() - began > shared.READ_WITHIN_S:
                raise RecorderLost(f"{following.record}: no entry could be read; see recorder.log in it.")
            continue
        over = [drive for drive in session.drives if drive.log.ended]
        if session.drives and len(over) == len(session.drives):
            if len(over) >= drives or not RehearsalWatch(study, session, groups).missing():
                return True
        if silence.silent_s(following) > shared.SILENCE_S:
            # a source that just stops sends no run_end: that is the end of the drive all the same
            return bool(session.drives) and not RehearsalWatch(study, session, groups).missing()


def in_the_seat_of(study: Study, given: list[str]) -> Callable[[], Iterator[dict[str, Any]]]:
    """What will ask somebody in the seat, by one key each, how an alert was perceived: an amplifier that is turned down
    passes every other test. Gives the operator's entries of the answers, those on the command line first.

    Raises `WitnessError` for an answer on the command line that is none, before anything is driven.
    """
    from monitor.errors import WitnessError

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
    import os
    import select
    import sys
    import termios
    import tty

    from monitor.commands.shared.printing import say

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

"""`replay`: the screen over a record, closed, open, sealed or damaged; nothing is ever written into the record."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path


def add_to(subparsers: Any) -> None:
    from monitor.commands.shared.many_records import add_many_options

    parser = subparsers.add_parser(
        "replay", help="the screen over a record, and why a trial came out so", description=__doc__
    )
    parser.add_argument("record", metavar="RECORD", help="a record; a directory of records offers a list")
    parser.add_argument("--at", type=float, default=0.0, metavar="SECONDS", help="begin there (of the record)")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="times recorded time, 0.1 to 60")
    parser.add_argument("--study", metavar="FILE", help="judge by this study file")
    parser.add_argument("--by", metavar="WHO", help="who enters notes and rulings (default: the login name)")
    parser.add_argument("--why", metavar="TRIAL", help="no screen: why this trial came out so, such as 1/gate-brake/1")
    parser.add_argument(
        "--sweep",
        metavar="TRIGGER/CONDITION",
        help="no screen: how many trials would be valid at each tolerance of this condition; over a directory, too",
    )
    parser.add_argument(
        "--beside",
        nargs="?",
        const="",
        metavar="OTHER",
        help="lay a second run over it; without OTHER the last rehearsal that was a go",
    )
    parser.add_argument("--aligned", choices=("trigger", "place", "time"), default="trigger", help="with --beside")
    parser.add_argument("--trial", metavar="TRIAL", help="with --beside: at this trial, such as 1/gate-brake/1")
    parser.add_argument("--text", action="store_true", help="with --beside: the differences as text, no screen")
    parser.add_argument(
        "--code",
        action="store_true",
        help="the coders' page: rule trial by trial without seeing how it was judged, the group or the response; needs "
        "--by",
    )
    parser.add_argument("--up-to", type=float, metavar="X", help="with --sweep: the largest tolerance")
    add_many_options(parser.add_argument_group("with --sweep over many records"))
    parser.add_argument("--json", action="store_true", help="with --why, --sweep and --beside: one JSON document")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.errors import WitnessError
    from monitor.study.loading import load_study

    if options.json and not (options.why or options.sweep or options.beside is not None):
        raise WitnessError(
            "replay --json goes with --why, --sweep or --beside; the trials as JSON are printed by: review --json"
        )
    if not (math.isfinite(options.at) and math.isfinite(options.speed) and options.speed > 0.0):
        raise WitnessError("--at is in seconds of the record and --speed a number above 0, such as 0.5 or 10")
    study = load_study(options.study) if options.study else None
    path = Path(options.record)
    if options.code:
        return _code(chosen_record(path), options)
    if options.sweep:
        return _sweep(path, study, options)
    if options.why:
        return _why(path, study, options)
    if options.beside is not None and (options.json or options.text):
        return _beside(path, study, options)
    return _show(chosen_record(path), study, options)


def _show(path: Path, study: Any, options: argparse.Namespace) -> int:
    from monitor.commands.shared.printing import say
    from monitor.errors import WitnessError
    from monitor.screens.watch.running import refuse_without_terminal

    try:
        refuse_without_terminal("replay")
    except WitnessError as error:
        raise WitnessError(
            f"replay shows a screen and needs a terminal; without one, see trials with: trialwitness review {path}, "
            f"and why one came out so with: trialwitness replay {path} --why TRIAL"
        ) from error
    from monitor.following.live import operator_name
    from monitor.replay.provider import ReplayProvider
    from monitor.screens.replay.app import run_replay
    from monitor.screens.replay.beside import LaidOver

    by = options.by or operator_name()
    source = ReplayProvider(path, by=by, study=study)
    source.set_speed(options.speed)
    source.seek(options.at)
    laid = None
    if options.beside is not None:
        laid = LaidOver(_other_record(path, source.map.study.name, options.beside), options.aligned, options.trial)
    source.start()
    try:
        status = run_replay(source, laid=laid)
    finally:
        source.stop()
        if source.unsaved:
            say(source.unsaved)
    return status or (1 if source.unsaved else 0)


def _code(path: Path, options: argparse.Namespace) -> int:
    from monitor.errors import WitnessError
    from monitor.replay.coding import CodingDesk

    if not options.by or options.study:
        raise WitnessError("replay --code needs --by NAME, whose coding it is, and takes no --study.")
    desk = CodingDesk(path, options.by)
    from monitor.screens.replay.coding import run_coding

    return run_coding(desk)


def _why(path: Path, study: Any, options: argparse.Namespace) -> int:
    from monitor.commands.shared.printing import print_json, say
    from monitor.record.addendum import read_addendum
    from monitor.replay.explain.document import explanation_json, explanation_lines
    from monitor.replay.explain.explanation import explain_trial
    from monitor.replay.seeking.playback import Playback
    from monitor.replay.seeking.reading import MapMaking

    found = MapMaking(path, study).run()
    playback = Playback(found)
    playback.addendum = read_addendum(path)
    explained = explain_trial(found, playback, options.why)
    opening = playback.session.opening
    if study is not None and study.text != opening.study_text:
        say(f"{path}: judged by another study file ({study.sha256[:8]}) than its own ({opening.study_sha256[:8]})")
    for sentence in found.damage:
        say(f"{path}: {sentence}")
    if options.json:
        print_json({"record": str(path), **explanation_json(explained), "damage": list(found.damage)})
    else:
        print("\n".join(explanation_lines(explained)))
    return 1 if found.damage else 0


def _sweep(path: Path, study: Any, options: argparse.Namespace) -> int:
    from monitor.archive.engine.addresses import records_at
    from monitor.archive.engine.run import answers
    from monitor.commands.shared.many_records import how_many
    from monitor.commands.shared.printing import print_json, say
    from monitor.errors import WitnessError
    from monitor.replay.explain.sweep import far_enough, sweep, sweep_json, sweep_lines, sweep_task, swept_in

    trigger, _, condition = options.sweep.partition("/")
    if options.up_to is not None and not options.up_to > 0.0:
        raise WitnessError("--up-to must be greater than 0")
    found = list(
        answers(records_at([str(path)]), sweep_task(trigger, condition, study), how_many(options, "sweeping records"))
    )
    for answer in found:
        if answer.fault:
            say(answer.fault)
    status = max((answer.status for answer in found), default=0)
    trials = [one for answer in found for one in swept_in(answer)]
    if not trials and status:
        return status
    rows = sweep(trials, options.up_to or far_enough(trials), steps=20)
    if options.json:
        print_json({"sweep": options.sweep, **sweep_json(trials, rows)})
    else:
        print("\n".join(sweep_lines(trials, rows)))
    return status


def _beside(path: Path, study: Any, options: argparse.Namespace) -> int:
    from monitor.commands.shared.printing import print_json
    from monitor.replay.beside.document import beside_json, beside_lines
    from monitor.replay.beside.runs import ReadRun, lay_runs

    first = ReadRun.of(path, study)
    second = ReadRun.of(_other_record(path, first.found.study.name, options.beside), study)
    laid = lay_runs(first, second, options.aligned, options.trial)
    if options.json:
        print_json(beside_json(*laid, options.aligned))
    else:
        print("\n".join(beside_lines(*laid, options.aligned)))
    return 1 if first.found.damage or second.found.damage else 0


def _other_record(path: Path, study: str, named: str) -> Path:
    from pathlib import Path

    from monitor.archive.rehearsals import unreadable_pages
    from monitor.commands.shared.printing import say
    from monitor.replay.beside.document import reference_record

    if named:
        return Path(named)
    for sentence in unreadable_pages(path.parent):
        say(f"Left out: {sentence}")  # the last go may have been in it
    return reference_record(path, study)


def chosen_record(path: Path) -> Path:
    """The record itself; of a directory of records, the one that is chosen from the list.

    Without a terminal the list is printed, and `WitnessError` asks for one of them.
    """
    import sys

    from monitor.errors import WitnessError
    from monitor.record.reader import list_records

    records = list_records(path) if path.is_dir() else []
    if not records:
        return path
    for place, record in enumerate(records, start=1):
        print(f"{place:>3}  {_record_line(record)}", flush=True)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        count = "1 record" if len(records) == 1 else f"{len(records)} records"
        raise WitnessError(f"{path} holds {count}: name one of them, such as {records[0]}")
    while True:
        try:
            answer = input(f"Which one? 1 to {len(records)}, Enter leaves: ").strip()
        except EOFError:
            answer = ""
        if not answer:
            raise SystemExit(0)
        if answer.isascii() and answer.isdigit() and 1 <= int(answer) <= len(records):
            return records[int(answer) - 1]
        print(f"There is no record {answer!r}.")


def _record_line(record: Path) -> str:
    """Participant, time, trials with their verdicts, and the record's name."""
    from monitor.archive.review import review_record
    from monitor.commands.shared.printing import harmless
    from monitor.errors import WitnessError

    try:
        reviewed = review_record(record)
    except WitnessError as error:
        return f"{record.name}  cannot be read: {error}"
    trials = ", ".join(f"{one.trigger} {one.effective}" for one in reviewed.session.trials()) or "no trial"
    time = record.name.split("-")[-2] if record.name.count("-") >= 2 else ""
    time = f"{time[:4]}-{time[4:6]}-{time[6:8]} {time[9:11]}:{time[11:13]}" if len(time) == 16 else time
    damaged = f", {len(reviewed.damage)} places damaged" if reviewed.damage else ""
    who = harmless(reviewed.session.opening.participant)
    return f"{who:<6} {time}  {trials}  ({reviewed.state}{damaged})  {record.name}"

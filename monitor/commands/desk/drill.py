"""`drill`: the operator's exercise, on the true watch screen. Short synthetic drives, some of them lost: hold those
back before they fire, note why, and rule on the others. A page with the score at the end; it decides nothing."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from monitor.commands.shared.interrupting import interruptible
    from monitor.study.model import Study


SAYS_SO_S = 3.5
"""Whoever writes on a run says so once a second; after three seconds `WriterWatch` says that nobody does."""


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("drill", help="the operator's exercise on synthetic losses", description=__doc__)
    parser.add_argument("--drives", type=int, default=8, metavar="N", help="how many drives, half a minute each")
    parser.add_argument("--seed", type=int, metavar="N", help="the same series again (default: a new one)")
    parser.add_argument("--by", metavar="WHO", help="who exercises (default: the login name)")
    parser.add_argument(
        "--records", default="records", metavar="DIR", help="kept in its folder drills (default: records)"
    )
    parser.add_argument("--last", action="store_true", help="no drive: the last page again")
    parser.add_argument("--forget", action="store_true", help="no drive: delete all that is kept of WHO's exercises")
    parser.add_argument("--headless", action="store_true", help="no screen: a script plays, which needs --reacts-after")
    parser.add_argument("--reacts-after", type=float, metavar="S", help="how long the script takes to act")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="with --headless: times real time")
    parser.add_argument("--json", action="store_true", help="the page as one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.printing import harmless, print_json, say
    from monitor.commissioning.drill.cases import MOST_DRIVES
    from monitor.commissioning.drill.keeping import forget, kept
    from monitor.commissioning.drill.score import page_lines
    from monitor.errors import WitnessError
    from monitor.following.live import operator_name

    by, records = options.by or operator_name(), Path(options.records).resolve()
    if options.forget:
        end_left_behind(records, by)
        say(f"{forget(records, by)} exercises of {by} were deleted.")
        return 0
    pages = kept(records, by)
    if options.last:
        if not pages:
            raise WitnessError(f"{records} keeps no exercise of {by}.")
        page, last = pages[-1], pages[-2] if len(pages) > 1 else None
    else:
        if not 1 <= options.drives <= MOST_DRIVES:
            raise WitnessError(f"--drives is {options.drives}; it must be from 1 to {MOST_DRIVES}.")
        if options.headless != (options.reacts_after is not None):
            raise WitnessError("--headless is played by a script and needs --reacts-after S; a person needs neither.")
        if options.speed != 1.0 and not options.headless:
            raise WitnessError("--speed is for --headless: a person exercises in real time.")
        found, status = _play(options, records, by)
        if found is None or status >= 128:
            return status
        page, last = found, pages[-1] if pages else None
    lines = page_lines(page, last)
    if options.json:
        print_json({**page, "last": last})
        return 0
    if not options.headless and not options.last:
        from monitor.screens.drill.page import show_page

        show_page(lines)
    print("\n".join(harmless(line) for line in lines))
    return 0


def _play(options: argparse.Namespace, records: Any, by: str) -> tuple[dict[str, Any] | None, int]:
    """The series; the page as it is kept, None where no drive was driven to its end."""
    import secrets
    import time

    from monitor.commands.shared.interrupting import Interrupted, interruptible
    from monitor.commands.shared.printing import say
    from monitor.commissioning.drill.cases import draw_series
    from monitor.commissioning.drill.keeping import keep, new_series
    from monitor.commissioning.drill.score import Score
    from monitor.errors import WitnessError
    from monitor.following.overview.listening import Overseer
    from monitor.study.demo import EXERCISE, demo_study

    if not options.headless:
        from monitor.screens.watch.running import refuse_without_terminal

        refuse_without_terminal("drill", otherwise="--headless --reacts-after S")
    refuse_while_recording(records)
    end_left_behind(records, by)
    seed = secrets.randbelow(1_000_000) if options.seed is None else options.seed
    study, began = demo_study(EXERCISE), time.time()
    series = new_series(records, by, began)
    results, status = [], 0
    overseer = Overseer([records], everywhere=True)

    def recorded() -> tuple[str, ...]:
        return recorded_in(overseer.seen())

    sitting = Sitting(study, series, by, recorded, options.speed)
    try:
        with interruptible(puts_off=True) as asked:
            for number, drive in enumerate(draw_series(seed, options.drives), start=1):
                asked.let_go()
                say(f"Drive {number} of {options.drives}.")
                result, status, goes_on = Drive(sitting, drive, number).play(options.reacts_after, asked)
                if result is not None:
                    results.append(result)
                    keep(series, Score(by, began, seed, tuple(results)).as_json())  # whatever happens in the next one
                if recorded():
                    say(f"A run is recorded here now ({', '.join(recorded())}): the exercise ends.")
                if recorded() or not goes_on:
                    break
            asked.let_go()
    except Interrupted as interrupted:
        status = 128 + interrupted.number
    except WitnessError as error:
        if not results:
            raise
        say(f"{error} The exercise ends here.")
    finally:
        overseer.stop()
    if not results:
        return None, status
    page = Score(by, began, seed, tuple(results)).as_json()
    say(f"kept: {keep(series, page)}")
    return page, status


def refuse_while_recording(records: Any) -> None:
    """Raises `WitnessError` while anything is recorded here: an exercise is never beside a participant."""
    from monitor.errors import WitnessError
    from monitor.following.overview.listening import look_once

    running = recorded_in(look_once([records], everywhere=True))
    if running:
        raise WitnessError(f"No exercise while something is recorded here: {', '.join(running)}.")


def end_left_behind(records: Path, by: str) -> None:
    """Closes what an exercise of this operator that was killed left recording: nobody else would, ever.

    Raises `WitnessError` where that exercise still goes on."""
    from monitor.commands.shared.live_run import end_run
    from monitor.commands.shared.printing import say
    from monitor.commissioning.drill.keeping import operator_folder
    from monitor.errors import WitnessError
    from monitor.following.beginning import find_run
    from monitor.recorder.running import find_running

    for series in operator_folder(records, by).glob("*"):
        for one in find_running(series):
            if not _nobody_writes(one.sockets):
                raise WitnessError(f"An exercise of {by} goes on already.")
            end_run(find_run(series, one.record.name, read_only=False))
            say(f"{one.record.name} of an exercise that was cut off was closed.")


def _nobody_writes(sockets: Path) -> str:
    """What speaks against anybody writing on a run; empty where somebody does."""
    import time

    from monitor.following.status_stream import WriterWatch

    watch, until = WriterWatch(sockets), time.monotonic() + SAYS_SO_S
    try:
        while time.monotonic() < until:
            watch.look()
            time.sleep(0.1)
        return watch.look()
    finally:
        watch.close()


def recorded_in(seen: Any) -> tuple[str, ...]:
    """The records that are written to at this moment."""
    return tuple(one.record.name for one in seen.runs if one.is_recorded)


@dataclass(frozen=True, slots=True)
class Sitting:
    """What all drives of a series have in common: the study, the folder that keeps them, who exercises, what names the
    runs that are recorded here meanwhile, and how many times as fast as in reality they are driven."""

    study: Study
    series: Path
    by: str
    recorded: Callable[[], tuple[str, ...]]
    speed: float


class Drive:
    """One drive of a series, with a simulator, a recorder and a follower of its own."""

    def __init__(self, sitting: Sitting, drive: Any, number: int) -> None:
        from monitor.commissioning.drill.attempt import Attempt

        trigger = sitting.study.triggers[0]
        self._sitting, self._drive = sitting, drive
        self._code = f"DRILL-{number:02d}"
        self._attempt = Attempt(drive.case, number, trigger.name, trigger.action_takes_s)

    def play(self, reacts_after_s: float | None, asked: interruptible) -> tuple[Any, int, bool]:
        """Plays it on a screen, or by a script: the result (None where it was left before its end), a status, and
        whether the series goes on. What it is asked is put off while the drive begins, and while it is ended."""
        from monitor.commands.shared.live_run import end_run
        from monitor.commands.shared.simulator import Simulator
        from monitor.commissioning.drill.cases import PLANNED_GROUP
        from monitor.commissioning.drill.source import DrillSource
        from monitor.following.beginning import Driving, Listening, begin_run

        case, sitting = self._drive.case, self._sitting
        drive = [
            *("--short", "--hold-back-on-input", "--participant", case.code or self._code),
            *("--scenario", case.scenario, "--group", case.group, "--seed", str(self._drive.seed)),
            *("--speed", str(sitting.speed)),
        ]
        asked.put_off()
        with Simulator(drive) as simulator:
            driving = Driving(self._code, PLANNED_GROUP, is_new=True)
            listening = Listening((simulator.endpoint,), pace=sitting.speed)
            begun = begin_run(sitting.study, driving, listening, sitting.series)
            source = DrillSource(begun.follow(sitting.by), self._attempt, simulator.hold_back, sitting.recorded)
            try:
                source.start()
                asked.let_go()
                if reacts_after_s is None:
                    from monitor.screens.drill.screen import run_drive

                    status, goes_on = run_drive(source)
                else:
                    status, goes_on = 0, self._by_script(source, reacts_after_s)
            finally:
                asked.put_off()
                source.stop()
                end_run(begun)
        return self._attempt.result() if goes_on else None, status, goes_on

    def _by_script(self, source: Any, reacts_after_s: float) -> bool:
        """Plays until the drive has ended and nothing is left to do."""
        import time

        from monitor.commissioning.drill.player import Player

        player = Player(self._attempt, reacts_after_s)
        while True:
            view = source.view()
            if source.is_over:
                return False
            for fields in player.due(time.monotonic()):
                source.post({**fields, "drive": view.drive, "at": view.t, "wall": time.time()})
            if view.feed.state in ("ended", "lost") and player.is_done:
                return True
            time.sleep(0.05)

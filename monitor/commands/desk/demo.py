"""`demo`: a simulated drive in its own process, over real sockets, with the watch screen on it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.commands.shared.interrupting import interruptible


def add_to(subparsers: Any) -> None:
    from monitor.commands.connecting.simulate import add_drive_options
    from monitor.commands.desk.watch import add_following_options

    parser = subparsers.add_parser("demo", help="a simulated drive with the screen on it", description=__doc__)
    add_drive_options(parser)
    add_following_options(parser)
    parser.add_argument(
        "--records", metavar="DIR", help="where the record is kept (default: the user's state directory)"
    )


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.interrupting import interruptible
    from monitor.commands.shared.live_run import Follower, end_run, show_run
    from monitor.commands.shared.simulator import Simulator
    from monitor.following.beginning import Driving, Listening, begin_run
    from monitor.simulation.plan import SimulationPlan, first_group
    from monitor.study.demo import DEMO_PARTICIPANT, demo_study

    kind = options.study_kind
    plan = SimulationPlan(kind=kind, scenario=options.scenario, group=first_group(kind))  # refuses wrong names
    if not options.headless:
        from monitor.screens.watch.running import refuse_without_terminal

        refuse_without_terminal()
    records = Path(options.records) if options.records else _state_directory()
    drive = [
        *("--study-kind", kind, "--group", plan.group, "--participant", DEMO_PARTICIPANT),
        *("--scenario", options.scenario, "--seed", str(options.seed), "--speed", str(options.speed)),
    ]
    # the simulator ends with the demo, whatever ends that: so there is nothing that the recorder could go on with
    with interruptible(puts_off=True) as asked, Simulator(drive) as simulator:
        begun = begin_run(
            demo_study(kind),
            Driving(DEMO_PARTICIPANT, plan.group, is_new=True),
            Listening((simulator.endpoint,), pace=options.speed),
            records,
        )
        try:
            if options.headless:
                return _headless(begun, options, asked)
            asked.let_go()
            return show_run(begun, Follower(options.by, announce=options.announce), says_it_goes_on=False)
        finally:
            with asked.puts_off():
                if begun.is_recorded:
                    end_run(begun)


def _headless(begun: Any, options: argparse.Namespace, asked: interruptible) -> int:
    """Runs to the end of the drive, then prints the trials: the whole object alone with --json."""
    from monitor.commands.shared.live_run import close_run, follow_to_end
    from monitor.commands.shared.printing import print_json, trial_lines
    from monitor.following.live import operator_name
    from monitor.judging.document import session_json

    following = begun.follow(options.by or operator_name())()
    try:
        status = follow_to_end(following, asked)
        closed = close_run(following)
        session = following.session
        if options.json:
            print_json(session_json(session, str(begun.record)))
        else:
            for trial in session.trials():
                print("\n".join(trial_lines(trial)))
            print(f"record: {begun.record}")
        return status if closed else 1
    finally:
        following.close()


def _state_directory() -> Any:
    import os
    from pathlib import Path

    base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "trialwitness" / "demo"

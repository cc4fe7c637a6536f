"""`simulate`: the synthetic simulator alone, publishing one drive of the study dusk-road."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("simulate", help="publish a simulated drive", description=__doc__)
    parser.add_argument("--bind", default="tcp://127.0.0.1:*", metavar="ENDPOINT", help="where to publish")
    add_drive_options(parser)
    parser.add_argument("--participant", metavar="CODE", help="who drives, if the hello shall say it")
    parser.add_argument(
        "--group", metavar="NAME", help="alert group that the drive gives its alert to (default: the kind's first)"
    )
    parser.add_argument("--rate", type=float, default=60.0, metavar="HZ", help="frames a second")
    parser.add_argument("--vehicles", type=int, default=0, metavar="N", help="further vehicles, for load")
    parser.add_argument("--longer", type=float, default=1.0, metavar="X", help="the drive lasts X times as long")
    parser.add_argument("--wait", type=float, default=0.0, metavar="S", help="wait so long for a subscriber first")
    parser.add_argument("--truth", metavar="FILE", help="write what was injected to this file")
    parser.add_argument("--short", action="store_true", help="the gate alone, with little before and after it")
    parser.add_argument(
        "--hold-back-on-input",
        action="store_true",
        help="once a line comes on standard input the gate is held back, and the drive is ended",
    )
    parser.add_argument("--json", action="store_true", help="say the endpoint as JSON")


def add_drive_options(parser: argparse.ArgumentParser) -> None:
    """Options that `demo` and `simulate` share."""
    parser.add_argument(
        "--study-kind",
        default="dusk-road",
        metavar="KIND",
        help="another kind of study: rear-end, lane-departure, crossing, take-over, following",
    )
    parser.add_argument("--scenario", default="clean", metavar="NAME", help="what goes wrong in the drive")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="times real time")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.interrupting import interruptible
    from monitor.commands.shared.printing import lost_output, print_json, say
    from monitor.simulation.plan import SimulationPlan, first_group
    from monitor.simulation.publishing import run_simulation

    bound = False

    def announce(words: str) -> None:
        """The endpoint first, then sentences. Where nobody reads them any more the drive goes on to its end."""
        nonlocal bound
        shown = {"type": "said", "sentence": words} if bound else {"type": "bound", "endpoint": words}
        plain = words if bound else f"publishing at {words}"
        lost_output(lambda: print_json(shown) if options.json else say(plain))
        bound = True

    def warn(sentence: str) -> None:
        lost_output(lambda: say(sentence))

    plan = SimulationPlan(
        bind=options.bind,
        kind=options.study_kind,
        scenario=options.scenario,
        seed=options.seed,
        speed=options.speed,
        rate_hz=options.rate,
        group=options.group or first_group(options.study_kind),
        participant=options.participant,
        truth_path=Path(options.truth) if options.truth else None,
        extra_vehicles=options.vehicles,
        duration_factor=options.longer,
        short=options.short,
        wait_for_subscriber_s=options.wait,
    )
    with interruptible():
        run_simulation(plan, announce, warn, _line_on_input() if options.hold_back_on_input else None)
    return 0


def _line_on_input() -> Any:
    """Asks whether a line has come on standard input."""
    import sys
    import threading

    came = threading.Event()

    def wait() -> None:
        if sys.stdin.readline():
            came.set()

    threading.Thread(target=wait, name="input", daemon=True).start()
    return came.is_set

"""The `trialwitness` command: reads the arguments, runs one command, turns errors into a sentence and a status.

Exit status: 0 done; 1 done, and the data has a fault; 2 wrong usage or unreadable input; 128 + n on signal n.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Iterable, Sequence
from importlib import import_module
from types import ModuleType

from monitor import __version__
from monitor.commands.shared.interrupting import Interrupted
from monitor.errors import WitnessError

COMMANDS = {
    "demo": "desk.demo",
    "watch": "desk.watch",
    "attach": "desk.attach",
    "overview": "desk.overview",
    "drill": "desk.drill",
    "replay": "desk.replay",
    "review": "study.review",
    "rule": "study.rule",
    "check": "connecting.check",
    "rehearse": "connecting.rehearse",
    "prove": "connecting.prove",
    "bridge": "connecting.bridge",
    "import": "connecting.import_drive",
    "keys": "desk.keys",
    "verify": "records.verify",
    "recover": "records.recover",
    "seal": "records.seal",
    "withdraw": "records.withdraw",
    "closeout": "records.closeout",
    "safety": "records.safety",
    "report": "study.report",
    "assign": "study.assign",
    "agreement": "study.agreement",
    "tally": "study.tally",
    "forecast": "study.forecast",
    "compare": "study.compare",
    "export": "study.export",
    "simulate": "connecting.simulate",
}
"""The module of each, in the order of the help text."""

CAUTION = (
    "trialwitness only listens and records. It is no safety device, it never commands the simulator or its motion "
    "platform, and it replaces no emergency stop and no welfare rule of your facility."
)


def build_parser(names: Iterable[str] = COMMANDS) -> argparse.ArgumentParser:
    """The command line with these commands, all of them where the help lists them. Command modules are imported for
    their arguments only, which costs no library."""
    parser = argparse.ArgumentParser(
        prog="trialwitness",
        description="An independent second witness for driving-simulator trials.",
        epilog=f"Exit status: 0 done; 1 done, and the data has a fault; 2 wrong usage or unreadable input. {CAUTION}",
    )
    parser.add_argument("--version", action="version", version=f"trialwitness {__version__}")
    subparsers = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in names:
        _module(name).add_to(subparsers)
    return parser


def main(arguments: Sequence[str] | None = None) -> None:
    """Runs the command line and leaves with its status."""
    arguments = sys.argv[1:] if arguments is None else arguments
    _open_what_is_closed()
    if isinstance(sys.stdout, io.TextIOWrapper):  # a record's name, or a terminal, may be of another encoding
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        for one in arguments:
            _refuse_bytes(one)
        # arguments of the other commands would double the time until this one begins, 37 ms
        named = arguments[:1] if arguments and arguments[0] in COMMANDS else COMMANDS
        options = build_parser(named).parse_args(arguments)
        status = _module(options.command).run(options)
        sys.stdout.flush()
    except WitnessError as error:
        _say_last(str(error))
        status = error.exit_code
    except KeyboardInterrupt:
        status = 130
    except Interrupted as stopped:
        status = 128 + stopped.number
    except BrokenPipeError:
        _say_last("")  # the reader of our output has gone: nothing more to say
        status = 141
    except OSError as error:
        # whatever the system refuses, on whatever path: its own words, and no traceback
        where = f"{error.filename}: " if error.filename else ""
        _say_last(f"{where}{error.strerror or error}; nothing more was done.")
        status = WitnessError.exit_code
    sys.exit(status)


def _open_what_is_closed() -> None:
    """Gives a process that was started with a standard stream closed the null device there: the next file that it opens
    would else have that place, and what some library says would be written into a record."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            null = open(os.devnull, mode)
            os.set_inheritable(null.fileno(), True)  # for the processes that it starts, too
            setattr(sys, name, null)


def _say_last(sentence: str) -> None:
    """Says why it ends, where somebody can read it: the status is the same where nobody can."""
    from monitor.commands.shared.printing import let_go_of_dead_outputs, lost_output, say  # seldom needed, and slow

    let_go_of_dead_outputs()
    if sentence:
        lost_output(lambda: say(sentence))


def _refuse_bytes(argument: str) -> None:
    """Raises `WitnessError` for what no record, no file of looks and no message could take."""
    try:
        argument.encode()
    except UnicodeEncodeError as error:
        shown = argument.encode(errors="backslashreplace").decode()
        raise WitnessError(f"The argument {shown} is no text in UTF-8; write it so, or rename the file.") from error


def _module(command: str) -> ModuleType:
    return import_module(f"monitor.commands.{COMMANDS[command]}")

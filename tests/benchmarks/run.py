"""Measures what the design gives a budget for: `python tests/benchmarks/run.py [NAME …]`.

Each figure is taken in this one run: where it can be, as a ratio to a bare loop that does the same with the same bytes,
both sides in turns, by processor time; the median of the rounds, with the least and the greatest. Nothing here is a
test: a machine that has other things to do must not make a test fail.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime
import importlib
import json
import sys
from itertools import chain
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # where it is run as a script and not by `-m`

from tests.benchmarks.measuring import Figure, machine

NAMES = {
    "intake": "the recorder against a bare loop",
    "judging": "following and judging against a bare loop",
    "latency": "a deciding message in → verdict in the view → bytes on a terminal",
    "screen": "the screen alone: a verdict in the view → its bytes, a key → the note box",
    "foretelling": "how long before a fire each deviation is told, and what that costs over clean drives",
    "onscreen": "what can be known before a fire → its word on terminals of three sizes",
    "naming": "a stopped or killed recorder, simulator or screen → called by its name",
    "shares": "processor at 60 Hz, and bytes to the terminal",
    "overview": "processor of the overview of four runs",
    "reviewing": "a record of an hour, judged again; several on all cores",
    "archive": "many runs judged by one process, by several, by dask workers",
    "replaying": "a record of an hour opened for replay",
    "bridge": "datagrams through the bridge against a bare loop",
    "tally": "how far a study of 200 runs is",
    "guessing": "how well the next group is guessed from the last ones",
    "inbox": "a note until it is on disk",
    "starting": "start-up of commands",
    "overload": "more than the machine can take",
    "memory": "memory and descriptors over a long drive",
    "growth": "cost by frame rate, vehicles, signals, triggers, hours",
}


FIGURES = Path(__file__).with_name("FIGURES.md")
HEAD = """# What it costs

Written by `tests/benchmarks/run.py [NAME …] --write`, each part when it was last measured: the median, in brackets
least and greatest, what is asked, and whether that is kept.
"""


def page(known: str, told: dict[str, str], figures: dict[str, list[Figure]]) -> str:
    """The page of figures: those of this run in the place of what was known of the same benchmarks."""
    sections = {text.split(":", 1)[0]: text.strip() for text in known.split("\n## ")[1:]}
    for name, found in figures.items():
        words = "; ".join(f"{word} {value}" for word, value in told.items())
        lines = "\n".join(one.line() for one in found)
        sections[name] = f"{name}: {NAMES[name]}\n\n{words}\n\n```\n{lines}\n```"
    ordered = [f"\n## {sections[name]}\n" for name in NAMES if name in sections]
    return "\n".join([HEAD, *ordered])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", nargs="*", metavar="NAME", help=f"of {', '.join(NAMES)} (default: all)")
    parser.add_argument("--rounds", type=int, default=5, metavar="N", help="rounds of each figure (default: 5)")
    parser.add_argument("--hours", type=float, metavar="H", help="of the drive of `memory` (default: 1.5)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.add_argument(
        "--write", action="store_true", help=f"write what was measured into {FIGURES.name} beside this file"
    )
    options = parser.parse_args()
    unknown = [name for name in options.name if name not in NAMES]
    if unknown:
        parser.error(f"no benchmark is called {unknown[0]!r}; there are {', '.join(NAMES)}")
    told = {
        "date": datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "machine": machine(),
        "command": f"python tests/benchmarks/run.py {' '.join(sys.argv[1:])}".rstrip(),
    }
    if not options.json:
        for word, value in told.items():
            print(f"{word}: {value}")
    found: dict[str, list[Figure]] = {}
    for name in options.name or NAMES:
        if not options.json:
            print(f"\n{name}: {NAMES[name]}", flush=True)
        more = {"hours": options.hours} if name == "memory" and options.hours else {}
        found[name] = []
        for figure in importlib.import_module(f"tests.benchmarks.{name}").measure(options.rounds, **more):
            found[name].append(figure)
            if not options.json:
                print(f"  {figure.line()}", flush=True)
    if options.write:
        known = FIGURES.read_text(encoding="utf-8") if FIGURES.exists() else ""
        FIGURES.write_text(page(known, told, found), encoding="utf-8")
    if options.json:
        figures = [{**dataclasses.asdict(one), "median": one.median, "kept": one.met} for one in chain(*found.values())]
        print(json.dumps({**told, "figures": figures}, indent=2))
    return 0


if __name__ == "__main__":
    sys.exit(main())

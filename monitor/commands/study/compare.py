"""`compare`: alert groups compared by their response times, for the analyst and not for the operator.

It shows responses by group, so whoever asks must say so with --unblind, and the look is entered in a file beside the
records. Valid trials only; who did not respond, or ran into the vehicle ahead before responding, is censored. Trigger,
measure, test and contrasts are those of the study's [analysis]; options choose others, and then the page says so.
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    from monitor.commands.study.tally import add_directory_options

    parser = subparsers.add_parser("compare", help="alert groups compared (for the analyst)", description=__doc__)
    add_directory_options(parser)
    add_unblind_options(parser, "show responses by group; the look is entered in unblinding.jsonl")
    parser.add_argument("--trigger", metavar="NAME", help="default: the first one that has an alert")
    parser.add_argument(
        "--measure",
        choices=("first", "brake", "accelerator", "steering"),
        help="which onset is the response; first: whichever comes first",
    )
    parser.add_argument("--within", type=float, metavar="S", help="share responded by")
    parser.add_argument(
        "--test",
        choices=("log-rank", "gehan", "ranks"),
        help="gehan: early differences count more; ranks: no time may be censored before the others",
    )


def add_unblind_options(parser: argparse.ArgumentParser, what: str) -> None:
    """Options that `compare` and `export` share."""
    parser.add_argument("--unblind", action="store_true", help=what)
    parser.add_argument("--by", metavar="WHO", help="who looks (default: the login name)")
    parser.add_argument("--why", metavar="TEXT", default="", help="why; it is entered with the look")


def run(options: argparse.Namespace) -> int:
    import math

    from monitor.archive.gathering import gathered_json
    from monitor.commands.shared.looking import until_given
    from monitor.commands.shared.printing import harmless, print_json, say
    from monitor.commands.study.tally import gathered
    from monitor.errors import WitnessError
    from monitor.reports.comparison.comparison import compare_studies, not_compared
    from monitor.reports.comparison.plan import Asked
    from monitor.reports.comparison.text import comparison_lines
    from monitor.reports.comparison.words import analysis_json, comparison_json

    if not options.unblind:
        raise WitnessError(
            "compare shows responses by group, which nobody who recruits, runs or rules should see; if you are the "
            "analyst, say so with --unblind (it is entered in unblinding.jsonl in the directory of records)."
        )
    if options.within is not None and not (math.isfinite(options.within) and options.within > 0.0):
        raise WitnessError("--within needs a time above 0 s.")
    found = gathered(options)
    asked = Asked(options.trigger, options.measure, options.within, options.test)
    comparisons = compare_studies(found, asked)
    if not comparisons:  # nothing is shown, and so no look is entered
        for fault in (*found.faults(), *not_compared(found)):
            say(f"! {fault}")
        if options.json:
            print_json({**gathered_json(found), "audit": None, "comparisons": []})
        else:
            print(f"{options.directory} holds no run that can be compared.")
        return 1 if found.faults() else 0
    what = {"analyses": [{"study": one.study, **analysis_json(one)} for one in comparisons]}
    with until_given(options, "compare") as looking:
        look = looking.enter(what, found)
        if any(run.withholds for run in found.runs):  # the look is on disk before anything hidden is worked out
            found = gathered(options, unblinded=True).as_looked_at(found)
            comparisons = compare_studies(found, asked)
        if options.json:
            documents = [comparison_json(one, look.number) for one in comparisons]
            audit = {"file": str(look.path), "look": look.number, "fault": look.fault}
            print_json({**gathered_json(found), "audit": audit, "comparisons": documents})
        else:
            for fault in (*found.faults(), *not_compared(found)):
                say(f"! {fault}")
            for one in comparisons:
                print("\n".join(harmless(line) for line in comparison_lines(one, look.number)))
                print()
            print(f"entered as look {look.number} in {look.path}", flush=True)
    return 1 if found.faults() or look.fault else 0

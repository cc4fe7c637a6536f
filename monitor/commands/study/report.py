"""`report`: one page on a run or a study, in one file with its pictures, to be read in any browser, printed or sent.

Of a run: its time line, each trial with what it was judged by, notes and digests. Of a directory of records: the flow
of participants, losses by reason and week, how the equipment did, and the methods in words. Response curves only with
--unblind, which is entered in the file of looks.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.commands.shared.looking import Looking

RESERVED_BYTES = 8 << 20
"""Room for a page with responses, which is not known before: one of 200 runs has under 1 MiB."""


def add_to(subparsers: Any) -> None:
    from monitor.commands.shared.many_records import add_many_options
    from monitor.commands.study.compare import add_unblind_options

    parser = subparsers.add_parser("report", help="one page with pictures, of a run or a study", description=__doc__)
    parser.add_argument("path", metavar="PATH", help="a record, or a directory of records")
    parser.add_argument("--out", required=True, metavar="FILE.html", help="a new file")
    parser.add_argument("--study", metavar="FILE", help="judge by this study file instead of the records' own")
    add_many_options(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    add_unblind_options(parser, "of a study: with the responses of its groups; the look is entered in unblinding.jsonl")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.archive.looks import refuse_look_file
    from monitor.commands.shared.looking import until_given
    from monitor.commands.shared.printing import print_json, say
    from monitor.named_files import new_file
    from monitor.record.places import is_record

    path, out = Path(options.path), Path(options.out)
    refuse_look_file(out)
    room, mode = (RESERVED_BYTES, 0o600) if options.unblind else (0, 0o666)
    options.directory = options.path
    with until_given(options, "report", out) as looking, new_file(out, room, mode) as file:  # before a look is entered
        faults, text = _of_run(path, options) if is_record(path) else _of_study(options, looking)
        file.write(text)
    look = looking.number
    if options.json:
        print_json({"out": str(out), "bytes": len(text.encode()), "faults": faults, "look": look})
    else:
        for fault in faults:
            say(f"! {fault}")
        print(f"{out}: written" + (f"; entered as look {look}" if look else ""))
    return 1 if faults else 0


def _of_run(path: Any, options: argparse.Namespace) -> tuple[list[str], str]:
    from monitor.errors import WitnessError
    from monitor.reports.export.drives import read_whole
    from monitor.reports.page.run_page import run_page
    from monitor.study.loading import load_study

    if options.unblind:
        raise WitnessError("--unblind is for a study; of a run the response is shown once there is a ruling.")
    whole = read_whole(path, load_study(options.study) if options.study else None)
    return list(whole.damage), run_page(whole)


def _of_study(options: argparse.Namespace, looking: Looking) -> tuple[list[str], str]:
    from monitor.commands.shared.printing import say
    from monitor.commands.study.tally import gathered
    from monitor.reports.comparison.comparison import compare_studies, not_compared
    from monitor.reports.comparison.words import analysis_json
    from monitor.reports.page.study_page import study_page
    from monitor.study.loading import load_study

    found = gathered(options)
    look, faults = None, found.faults()
    study = load_study(options.study) if options.study else None
    page = study_page(found, (), None, study)  # whatever fails in it fails before a look is entered
    comparisons = compare_studies(found) if options.unblind and found.studies else ()
    for sentence in not_compared(found) if options.unblind else ():
        say(f"! {sentence}")
    if comparisons:
        what = {"analyses": [{"study": one.study, **analysis_json(one)} for one in comparisons]}
        look = looking.enter(what, found)
        if any(run.withholds for run in found.runs):  # the look is on disk before anything hidden is worked out
            looked_at = gathered(options, unblinded=True).as_looked_at(found)
            comparisons, faults = compare_studies(looked_at), looked_at.faults()
        page = study_page(found, comparisons, look, study)
    return faults, page

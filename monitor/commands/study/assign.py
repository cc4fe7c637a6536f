"""`assign`: groups by sealed lots, or by an allocation list.

--prepare draws a site's order from the system's randomness and seals it: its root is printed, for the paper log, before
the first participant. A lot is opened for a participant by an entry, and only then its group is told; `watch` does it
by itself. --verify holds everything against the sealed order at the end. Nothing tells a group before its lot is
opened. It does not protect against who can read the file of lots.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.study.model import Study


def add_to(subparsers: Any) -> None:
    from monitor.commands.shared.planning import add_lot_options

    parser = subparsers.add_parser(
        "assign", help="groups by sealed lots, or by an allocation list", description=__doc__
    )
    parser.add_argument("--study", required=True, metavar="FILE")
    parser.add_argument("--records", default="records", metavar="DIR", help="the runs so far (default: records)")
    parser.add_argument("--participant", metavar="CODE", help="open the next lot for this participant")
    add_lot_options(parser)
    parser.add_argument("--by", metavar="WHO", help="who opens it (default: the login name)")
    parser.add_argument("--prepare", action="store_true", help="draw and seal the order of a site")
    parser.add_argument("--lots", type=int, metavar="N", help="with --prepare: so many in each stratum")
    parser.add_argument("--verify", action="store_true", help="hold openings and records against the sealed order")
    parser.add_argument("--no-show", action="store_true", help="somebody was invited and did not come; entered")
    parser.add_argument(
        "--excluded",
        metavar="REASON",
        help="somebody is not taken before a lot, for a reason of [assignment.excluded]; entered (with --participant, "
        "where there is a record of the screening)",
    )
    parser.add_argument("--take-back", type=int, metavar="N", help="entry N of these was a mistake; needs --words")
    parser.add_argument("--words", metavar="TEXT", help="with --take-back: why")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.errors import WitnessError
    from monitor.following.live import operator_name
    from monitor.study.loading import load_study

    study, directory = load_study(options.study), Path(options.records)
    options.by = options.by or operator_name()
    if options.prepare and options.verify:
        raise WitnessError("--prepare is for the beginning of a study and --verify for its end: give one of them.")
    if options.no_show or options.excluded is not None or options.take_back is not None:
        return _enter_asked(study, directory, options)
    if options.prepare:
        return _prepare(study, directory, options)
    if options.verify:
        return _verify(study, directory, options)
    return _assign(study, directory, options)


def _prepare(study: Study, directory: Any, options: argparse.Namespace) -> int:
    from monitor.commands.shared.printing import print_json
    from monitor.reports.assigning.sealed import prepare

    lots = prepare(directory, study, options.site, options.by, options.lots)
    order = lots.order
    strata = sorted({lot.stratum for lot in order.lots})
    each = len(order.lots) // len(strata)
    if options.json:
        print_json(
            {"site": order.site, "root": order.root, "lots": len(order.lots), "strata": [s for s in strata if s]}
        )
        return 0
    of = f" in each of {len(strata)} strata" if len(strata) > 1 else ""
    print(f"Sealed for site {order.site}: {each} lots{of}. Write this root into the paper log, now:")
    print(f"  {order.root}")
    print(
        f"Who can read lots-{order.site}.json in {directory} knows what comes next: let it belong to nobody who "
        "recruits or runs participants."
    )
    return 0


def _verify(study: Study, directory: Any, options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from monitor.commands.shared.printing import harmless, print_json
    from monitor.errors import WitnessError
    from monitor.reports.assigning.sealed import sealed_lots
    from monitor.reports.assigning.verifying import verify_lots

    lots = sealed_lots(directory, study, options.site)
    if lots is None:
        raise WitnessError(f"{directory} has no sealed lots of site {options.site}.")
    found = verify_lots(lots)
    if options.json:
        print_json(asdict(found))
    else:
        print(f"site {found.site}: {found.lots} lots, {found.opened} opened, {found.used} used; root {found.root}")
        for sentence in found.faults:
            print(harmless(f"! {sentence}"))
        for sentence in found.remarks:
            print(harmless(f"· {sentence}"))
        if not found.faults:
            print(
                "Every lot leads to the root, and every group is the one of its lot. Hold the root against the paper "
                "log."
            )
    return 1 if found.faults else 0


def _assign(study: Study, directory: Any, options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.many_records import on_all_cores
    from monitor.commands.shared.planning import give_group
    from monitor.commands.shared.printing import harmless, print_json, refuse_without_reader, say
    from monitor.reports.assigning.earlier import allocation_of, earlier_runs, next_listed

    allocation = allocation_of(study, Path(options.study))
    earlier = earlier_runs(study, directory, how=on_all_cores("judging records"))
    for sentence in (*earlier.left_out, *earlier.withdrawn):
        say(sentence)
    document: dict[str, Any] = {"participant": options.participant, "group": None, "lot": None}
    if options.participant is None:
        document |= {"participant": next_listed(allocation, earlier) if allocation is not None else None}
        document["why"] = _who_is_next(study, allocation is not None, document["participant"])
    else:
        refuse_without_reader("no lot is opened")
        given = give_group(study, directory, earlier.placed, options, allocation)
        document |= {"group": given.group, "lot": given.lot and given.lot["number"], "why": given.why}
    if options.json:
        print_json({**document, "left_out": earlier.left_out, "withdrawn": earlier.withdrawn})
    else:
        print(f"{harmless(document['participant'] or 'nobody')}: {document['group'] or 'no group'}. {document['why']}")
    return 1 if earlier.left_out else 0


def _who_is_next(study: Study, has_list: bool, participant: str | None) -> str:
    if has_list and participant is None:
        return "Everybody on the allocation list has been run."
    if has_list:
        return "Next on the allocation list; give --participant to be told the group."
    return "Give --participant CODE: the next lot is opened for somebody, and that is entered."


def _enter_asked(study: Study, directory: Any, options: argparse.Namespace) -> int:
    """Somebody who has no lot and will have none, for the flow of participants."""
    from monitor.commands.shared.printing import harmless, print_json
    from monitor.errors import WitnessError
    from monitor.reports.assigning.asked import Exclusion, asked_of, enter_no_show, enter_not_taken, take_back

    if options.take_back is not None:
        if not options.words:
            raise WitnessError("--take-back needs --words TEXT: why it is taken back.")
        take_back(directory, options.take_back, options.by, options.words)
        number, said = options.take_back, f"Number {options.take_back} is taken back; it stays in the file."
    elif options.no_show:
        number = enter_no_show(directory, study.name, options.by)
        said = f"Entered as number {number}: somebody did not come. No lot was opened."
    else:
        reason, words = options.excluded, _reason_words(study, options.excluded)
        exclusion = Exclusion(reason, words, _screened(study, directory, options))
        number = enter_not_taken(directory, study.name, options.by, exclusion)
        said = f"Entered as number {number}: not taken ({words}). No lot was opened."
    asked = asked_of(directory, study.name)
    if options.json:
        print_json({"number": number, **asked.as_json()})
    else:
        parts = [f"{asked.no_shows} did not come", *(f"{n} not taken: {words}" for words, n in asked.by_words.items())]
        print(harmless(said))
        print(harmless(f"So far: {'; '.join(parts)}. By mistake: trialwitness assign --take-back {number} --words …"))
    return 0


def _reason_words(study: Study, reason: str) -> str:
    from monitor.errors import WitnessError

    known = study.assignment.excluded if study.assignment is not None else {}
    if reason not in known:
        names = ", ".join(known) or "none"
        raise WitnessError(f"The study has no reason {reason!r} in [assignment.excluded]; it has {names}.")
    return known[reason]


def _screened(study: Study, directory: Any, options: argparse.Namespace) -> tuple[str, ...]:
    """Ids of the records of whoever is not taken. Raises `WitnessError` for somebody who has a lot: then it is a loss
    after the assignment, and stays in the group."""
    from monitor.errors import WitnessError
    from monitor.reports.assigning.lot_rule import entered_of, exclusion_of
    from monitor.study.assignment import check_code

    if options.participant is None:
        return ()
    check_code(study, options.participant)
    entered = entered_of(directory, study, options.participant)
    if any(one.opening.group is not None or one.opening.lot is not None for one in entered):
        raise WitnessError(
            f"{options.participant} has a group already: who is lost after that stays in it, and is told by the run's "
            "verdicts and rulings, or by withdraw."
        )
    before = exclusion_of(directory, study, entered)
    if before is not None:
        raise WitnessError(f"{options.participant} was entered as not taken already (number {before.number}).")
    if not entered:
        raise WitnessError(f"{options.participant} has no record here; leave --participant out.")
    return tuple(one.record_id for one in entered)

"""What `assign` enters of somebody who has no lot and will have none: did not come, or was not taken by the study's
rule; and how such an entry is taken back."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.study.model import Study


def enter_asked(study: Study, directory: Any, options: argparse.Namespace) -> int:
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

"""`assign`: the next participant's group, by the study's [assignment] and the runs so far. The order to come is not
shown."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.study.model import Study

MOST_TO_JUDGE = 10
"""`watch` judges so many records anew for a proposal; more would keep the operator waiting."""


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("assign", help="which group is the next participant's?", description=__doc__)
    parser.add_argument("--study", required=True, metavar="FILE")
    parser.add_argument("--records", default="records", metavar="DIR", help="the runs so far (default: records)")
    parser.add_argument("--participant", metavar="CODE", help="default: the next one of the allocation list")
    parser.add_argument("--stratum", metavar="NAME", help="where the study assigns by strata")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.printing import harmless, print_json, say
    from monitor.commands.tally import progress
    from monitor.errors import WitnessError
    from monitor.reports.assigning import allocation_of, earlier_runs, next_group, next_listed
    from monitor.study.loading import load_study

    study = load_study(options.study)
    allocation = allocation_of(study, Path(options.study))
    earlier = earlier_runs(study, Path(options.records), progress=progress("judging records"))
    for sentence in earlier.left_out:
        say(sentence)
    participant = options.participant
    if participant is None:
        if allocation is None:
            raise WitnessError("assign needs --participant CODE: the study has no allocation list to take it from.")
        participant = next_listed(allocation, earlier)
    if participant is None:
        proposal_group, why = None, "Everybody on the allocation list has been run."
    else:
        proposal = next_group(study, participant, earlier, stratum=options.stratum, allocation=allocation)
        proposal_group, why = proposal.group, proposal.why
    if options.json:
        print_json({"participant": participant, "group": proposal_group, "why": why, "left_out": earlier.left_out})
    else:
        print(f"{harmless(participant or 'nobody')}: {proposal_group or 'no group'}. {why}")
    return 1 if earlier.left_out else 0


def group_for_run(study: Study, options: argparse.Namespace) -> tuple[str | None, str | None]:
    """The group that `watch` plans for the participant, and the note that goes with it.

    An allocation list is a plan: it gives the group, and another --group is refused unless --group-words says why
    (which becomes a note). Of permuted blocks the proposal is only said: the group stays as given, or as the simulator
    says. A list or a record that cannot be read never keeps a run from beginning: it is said.
    """
    from pathlib import Path

    from monitor.commands.printing import say
    from monitor.errors import WitnessError
    from monitor.reports.assigning import Earlier, allocation_of, earlier_runs, next_group

    given, words = options.group, options.group_words
    note = f"group {given}: {words}" if given and words else None
    rule = study.assignment
    if rule is None or (rule.method == "blocks" and given is not None):
        return given, note
    try:
        allocation = allocation_of(study, Path(options.study))
        earlier = Earlier((), ())
        if rule.method == "blocks":
            earlier = earlier_runs(study, Path(options.records), most_to_judge=MOST_TO_JUDGE)
        stratum = options.stratum
        proposal = next_group(study, options.participant, earlier, stratum=stratum, allocation=allocation)
    except WitnessError as error:
        say(f"No group is proposed: {error}")
        return given, note
    if rule.method == "blocks":
        say(f"Proposed group for {options.participant}: {proposal.group}. {proposal.why} (not set; use --group)")
        return given, note
    if given is None:
        say(f"Group of {options.participant}: {proposal.group}. {proposal.why}")
        return proposal.group, note
    if given != proposal.group and not words:
        raise WitnessError(
            f"{options.participant} is in group {proposal.group} by the allocation list, and --group says {given}; "
            f'leave --group out, or say why it is changed with --group-words "…" (it becomes a note of the record).'
        )
    if given != proposal.group:
        note = f"group {given} instead of {proposal.group}, which the allocation list says: {words}"
    return given, note

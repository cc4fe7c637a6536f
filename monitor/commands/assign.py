"""`assign`: the next participant's group, by the study's [assignment] and the runs so far. The order to come is not
shown."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.study.model import Study
    from monitor.study.standing import Standing

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

    from monitor.commands.many_records import on_all_cores
    from monitor.commands.printing import harmless, print_json, say
    from monitor.errors import WitnessError
    from monitor.reports.assigning import allocation_of, earlier_runs, next_group, next_listed
    from monitor.study.loading import load_study

    study = load_study(options.study)
    allocation = allocation_of(study, Path(options.study))
    earlier = earlier_runs(study, Path(options.records), how=on_all_cores("judging records"))
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


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """What `watch` plans for a participant by the study file and the runs so far."""

    group: str | None
    note: str | None
    """A note that belongs into the record: why the group is another one."""
    standing: Standing


def plan_run(study: Study, options: argparse.Namespace) -> PlannedRun:
    """The group that `watch` plans for the participant, and how far the study is.

    Another --group than the study's [assignment] gives is refused unless --group-words says why (which becomes a note).
    An allocation list is a plan and sets the group; of permuted blocks the proposal is only said where there is no
    --group: the simulator's operator may have been told the group already. A list or a record that cannot be read never
    keeps a run from beginning: it is said.
    """
    from dataclasses import replace
    from pathlib import Path

    from monitor.commands.many_records import on_all_cores
    from monitor.commands.printing import say
    from monitor.errors import WitnessError
    from monitor.reports.assigning import Earlier, allocation_of, earlier_runs, next_group, standing_of

    given, words, rule = options.group, options.group_words, study.assignment
    note = f"group {given}: {words}" if given and words else None
    earlier, allocation, proposal = None, None, None
    try:
        earlier = earlier_runs(
            study, Path(options.records), most_to_judge=MOST_TO_JUDGE, how=on_all_cores("judging records")
        )
    except WitnessError as error:
        say(f"How far the study is cannot be said after a trial: {error}")
    try:
        allocation = allocation_of(study, Path(options.study))
        if rule is not None and (earlier is not None or rule.method == "list"):
            runs = earlier or Earlier((), ())
            proposal = next_group(study, options.participant, runs, stratum=options.stratum, allocation=allocation)
    except WitnessError as error:
        say(f"No group is proposed: {error}")
    standing = standing_of(study, options.participant, earlier, allocation)
    if rule is None or proposal is None or proposal.group is None:
        return PlannedRun(given, note, standing)
    standing = replace(standing, proposed=proposal.group, words=words)
    by_list = rule.method == "list"
    if given is None:
        of, unset = ("Group of", "") if by_list else ("Proposed group for", " (not set; use --group)")
        say(f"{of} {options.participant}: {proposal.group}. {proposal.why}{unset}")
        return PlannedRun(proposal.group if by_list else None, note, standing)
    if given != proposal.group:
        source = "the allocation list" if by_list else "the study's permuted blocks"
        if not words:
            raise WitnessError(
                f"{options.participant} is in group {proposal.group} by {source}, and --group says {given}; leave "
                '--group out, or say why it is changed with --group-words "…" (it becomes a note of the record).'
            )
        note = f"group {given} instead of {proposal.group}, as {source} would have it: {words}"
    return PlannedRun(given, note, standing)


def say_how_far(study: Study, options: argparse.Namespace) -> None:
    """After a run was closed: how far the study is with it, and whose group is next. Never in the way of a status."""
    from pathlib import Path

    from monitor.commands.many_records import on_all_cores
    from monitor.commands.printing import say
    from monitor.errors import WitnessError
    from monitor.reports.assigning import earlier_runs, main_trigger
    from monitor.study.assignment import due_group

    try:
        runs = earlier_runs(
            study, Path(options.records), most_to_judge=MOST_TO_JUDGE, how=on_all_cores("judging records")
        )
    except WitnessError:
        return  # it was said when the run began
    trigger = main_trigger(study)
    numbers = []
    for name, group in study.groups.items():
        planned = "" if group.planned is None else f" of {group.planned}"
        numbers.append(f"{name} {runs.valid.get((trigger, name), 0)}{planned}")
    strata = study.assignment is not None and study.assignment.strata
    due = None if strata else due_group(study, runs.placed)
    say(f"Valid {trigger}: {', '.join(numbers)}.{f' Next is group {due}.' if due else ''}")

"""What `assign` and `watch` share: the group of a participant, as a list or a sealed lot gives it, and the run that is
planned by it."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.reports.assigning.sealed import SealedLots
    from monitor.study.lots import Lot
    from monitor.study.model import Study
    from monitor.study.standing import Standing

MOST_TO_JUDGE = 10
"""`watch` judges so many records anew for a proposal; more would keep the operator waiting."""


def add_lot_options(parser: argparse.ArgumentParser) -> None:
    """Options that `assign` and `watch` share."""
    parser.add_argument("--stratum", metavar="NAME", help="the participant's stratum, where the study has strata")
    parser.add_argument("--lot", metavar="N", help="a lot that was opened before for this participant; next: a new one")
    parser.add_argument("--site", default="site", metavar="NAME", help="the site whose lots these are (default: site)")


@dataclass(frozen=True, slots=True)
class Given:
    """A participant's group and why. `lot`: for the record's opening, where a sealed lot gave it."""

    group: str | None
    why: str
    lot: dict[str, Any] | None = None
    sealed: SealedLots | None = None
    drawn: Lot | None = None


def give_group(
    study: Study,
    directory: Any,
    placed: Any,
    options: argparse.Namespace,
    allocation: dict[str, str] | None,
) -> Given:
    """The participant's group: as in an earlier run, by the list, or by a lot, which is opened for it.

    Raises `WitnessError` for a code that does not fit the study's pattern, a stratum that is missing, a list that lacks
    the participant, and lots that were drawn for another study file.
    """
    from monitor.errors import WitnessError
    from monitor.reports.assigning.sealed import sealed_lots
    from monitor.study.assignment import check_code, check_stratum

    rule, participant = study.assignment, options.participant
    check_code(study, participant)
    before = next((one for one in placed if one.participant == participant), None)
    if before is not None:
        return Given(before.group, f"{participant} has been in group {before.group} before.", before.lot)
    if rule is None:
        return Given(None, "The study file has no [assignment]; the operator names the group.")
    waits = _waits_for(study, directory, participant)
    if waits is not None:
        return Given(None, waits)
    if rule.method == "list":
        group = (allocation or {}).get(participant)
        if group is None:
            raise WitnessError(f"The allocation list {rule.file} has no participant {participant}; add the line to it.")
        return Given(group, f"The allocation list {rule.file} says so.")
    stratum = check_stratum(rule, options.stratum)
    lots = sealed_lots(directory, study, options.site)
    if lots is None:
        return Given(
            None,
            f"No lots are sealed for site {options.site}: trialwitness assign --prepare --study {options.study} "
            f"--records {options.records} --site {options.site}",
        )
    wanted = options.lot
    if wanted in (None, "next"):
        known = [one.lot for one in placed]
        drawn = lots.open_next(stratum, options.by, known, participant if wanted is None else None)
        how = "opened now"
    else:
        if not wanted.isdecimal():
            raise WitnessError("--lot needs the number of a lot that was opened, or next.")
        drawn, how = lots.opened_lot(stratum, int(wanted)), "opened before"
        if (stratum, drawn.number) in lots.used():
            raise WitnessError(f"Lot {drawn.number} is used in another record already; leave --lot out.")
    why = f"Lot {drawn.number} of site {options.site}, {how}."
    return Given(drawn.group, why, lots.for_opening(drawn), lots, drawn)


def _waits_for(study: Study, directory: Any, participant: str) -> str | None:
    """What the participant's lot still waits for, in a sentence; None where it may be opened. Raises `WitnessError` for
    somebody who was not taken."""
    from monitor.errors import WitnessError
    from monitor.reports.assigning.lot_rule import entered_of, exclusion_of, not_ticked

    rule = study.assignment
    if rule is None or not (rule.after or rule.excluded):
        return None
    entered = entered_of(directory, study, participant)
    excluded = exclusion_of(directory, study, entered)
    if excluded is not None:
        raise WitnessError(
            f"{participant} was not taken ({excluded.exclusion.words}), entered on {excluded.when[:10]} by "
            f"{excluded.by}. If that was a mistake: trialwitness assign --take-back {excluded.number} --words …"
        )
    steps = not_ticked(study, entered)
    if not steps:
        return None
    return (
        f"No lot is opened for {participant} yet: {', '.join(steps)} not ticked on the run sheet. Tick what is done "
        "(i), end the run, and begin the next one."
    )


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """What `watch` plans for a participant by the study file and the runs so far."""

    group: str | None
    note: str | None
    """A note that belongs into the record: why the group is another one."""
    standing: Standing
    given: Given

    def bind(self, record: Any, by: str) -> None:
        """Enters which record uses the lot, where one was opened for it."""
        from monitor.record.reader import RecordFiles

        if self.given.sealed is not None and self.given.drawn is not None:
            self.given.sealed.bind(self.given.drawn, RecordFiles(record).record_id, by)


def plan_run(study: Study, options: argparse.Namespace) -> PlannedRun:
    """The group that `watch` plans for the participant, and how far the study is.

    A sealed lot gives the group, and --group is refused beside it: it would be a way to ask for the next group. An
    allocation list gives it, too; another --group than the list's is refused unless --group-words says why (which
    becomes a note). A list or a record that cannot be read never keeps a run from beginning: it is said.
    """
    from dataclasses import replace
    from pathlib import Path

    from monitor.commands.shared.many_records import on_all_cores
    from monitor.commands.shared.printing import say
    from monitor.errors import WitnessError
    from monitor.reports.assigning.earlier import Earlier, allocation_of, earlier_runs, placed_by_openings, standing_of

    given, words, directory = options.group, options.group_words, Path(options.records)
    note = f"group {given}: {words}" if given and words else None
    nothing = Given(None, "")
    earlier, allocation = None, None
    try:
        earlier = earlier_runs(study, directory, most_to_judge=MOST_TO_JUDGE, how=on_all_cores())
    except WitnessError as error:
        say(f"How far the study is cannot be said after a trial: {error}")
    refuse_beside_lots(study, directory, options)
    by_list = study.assignment is not None and study.assignment.method == "list"
    runs = earlier or Earlier(placed_by_openings(study, directory), ())
    try:
        allocation = allocation_of(study, Path(options.study))
        found = give_group(study, directory, runs.placed, options, allocation) if study.assignment else nothing
    except WitnessError as error:
        if not by_list:
            raise
        say(f"No group is proposed: {error}")
        found = nothing
    standing = replace(standing_of(study, earlier, sealed=found.lot is not None), proposed=found.group, words=words)
    if found.lot is not None or given is None:
        if found.group is not None:
            say(f"Group of {options.participant}: {found.group}. {found.why}")
        elif found.why:
            say(found.why)
        return PlannedRun(found.group, note, standing, found)
    if found.group is not None and given != found.group:
        if not words:
            raise WitnessError(
                f"{options.participant} is in group {found.group}, and --group says {given}. {found.why} Leave --group "
                'out, or say why it is changed with --group-words "…" (it becomes a note of the record).'
            )
        note = f"group {given} instead of {found.group}: {words}"
    return PlannedRun(given, note, standing, found)


def refuse_beside_lots(study: Study, directory: Any, options: argparse.Namespace) -> None:
    """Raises `WitnessError` for --group where the site's lots give it."""
    from monitor.errors import WitnessError
    from monitor.reports.assigning.sealed import sealed_lots

    rule = study.assignment
    if options.group is None or rule is None or rule.method != "blocks":
        return
    if sealed_lots(directory, study, options.site) is not None:
        raise WitnessError(
            f"Groups come from the sealed lots of site {options.site}; leave --group out. (It would be a way to ask "
            "which group is next.)"
        )


def say_how_far(study: Study, options: argparse.Namespace) -> None:
    """After a run was closed: how far the study is with it. Never whose group is next, and never in the way of a
    status."""
    from pathlib import Path

    from monitor.commands.shared.many_records import on_all_cores
    from monitor.commands.shared.printing import say
    from monitor.errors import WitnessError
    from monitor.reports.assigning.earlier import earlier_runs, main_trigger

    try:
        runs = earlier_runs(study, Path(options.records), most_to_judge=MOST_TO_JUDGE, how=on_all_cores())
    except WitnessError:
        return  # it was said when the run began
    trigger = main_trigger(study)
    numbers = []
    for name, group in study.groups.items():
        planned = "" if group.planned is None else f" of {group.planned}"
        numbers.append(f"{name} {runs.valid.get((trigger, name), 0)}{planned}")
    say(f"Valid {trigger}: {', '.join(numbers)}.")

"""One occurrence of a trigger in a drive, looked at as of one entry of the record; and what the run was meant to be."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.judging.case.case import Case, trial_window
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trouble import unheard_in
from monitor.judging.firing import FireWatch
from monitor.study.model import Study, Trigger
from monitor.study.standing import Standing


@dataclass(frozen=True, slots=True)
class Plan:
    """What the run was meant to be: study, participant's group, codes to check the simulator's hello against."""

    study: Study
    participant: str
    group: str | None
    planned_group: str | None
    """The group that the simulator's must agree with: as given when the run began, else the one that the study's
    assignment gives the participant; None where both leave it to the simulator."""

    standing: Standing | None = None
    """How far the study was when the run began, for the words after a lost trial."""


@dataclass(frozen=True, slots=True)
class Occasion:
    """A trial that has fired, is awaited or was missed, as of an entry: everything known of it but its marker."""

    plan: Plan
    drive: DriveLog
    watch: FireWatch
    occurrence: int
    number: int
    """The entry as of which it is looked at."""

    @property
    def study(self) -> Study:
        """The study that the run is judged by."""
        return self.plan.study

    @property
    def trigger(self) -> Trigger:
        """The trigger that it is an occurrence of."""
        return self.watch.trigger

    @property
    def id(self) -> str:
        """The trial's name in the record: drive, trigger and occurrence."""
        return f"{self.drive.index}/{self.trigger.name}/{self.occurrence}"

    @property
    def over(self) -> bool:
        """Whether the drive had ended."""
        return self.drive.end_number is not None and self.drive.end_number <= self.number

    def case(self, marker: ReceivedMarker) -> Case:
        """Everything that the rules may look at where its marker is this one."""
        trigger, drive = self.trigger, self.drive
        first_s, last_s = trial_window(trigger)
        start_t, end_t = marker.t + first_s, marker.t + last_s
        stretch = cut_stretch(drive, start_t, end_t, self.number)
        at = stretch.last_at(marker.t) if stretch else -1
        return Case(
            study=self.study,
            trigger=trigger,
            drive=drive,
            group=self.plan.group,
            number=self.number,
            occurrence=self.occurrence,
            marker=marker,
            stretch=stretch,
            start_t=start_t,
            end_t=end_t,
            now_t=stretch.covered_to if stretch else -math.inf,
            over=self.over,
            held_id=int(stretch.lead_id[at]) if stretch and at >= 0 else -1,
            role=self.study.roles.get(trigger.role),
            markers=tuple(drive.known_markers(self.number)),
            lost=tuple(drive.lost_markers(self.number)),
            unheard=unheard_in(drive.aligned, start_t, end_t, self.number),
        )


def wanted(trigger: Trigger, drive: DriveLog) -> int | None:
    """How often this drive is expected to fire the trigger; None: any number."""
    return trigger.expected_in(drive.hello.scenario if drive.hello else None)

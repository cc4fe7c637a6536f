"""Publishes a simulated drive in real time, or so many times faster. Meant for a process of its own."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import zmq

from monitor.errors import WitnessError
from monitor.feed.publisher import AT_THE_END_S, LINGER_S, FeedPublisher, not_taken
from monitor.simulation.drive import Drive
from monitor.simulation.kinds.making import make_drive, steps_of
from monitor.simulation.kinds.scene import Scene
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import SOURCE, DriveStep
from monitor.simulation.truth import write_truth

GOODBYE_S = 1.0
"""After `run_end` hellos go on for this long, so that the last markers are repeated at least once."""
GOODBYE_HELLOS = 4


@dataclass(slots=True)
class Pace:
    """Waits for instants of the simulated clock, each measured from the start: a late step never delays the next."""

    speed: float
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    _start: float = field(init=False)

    def __post_init__(self) -> None:
        self._start = self.clock()

    def wait_until(self, due_s: float) -> None:
        """Returns when `due_s` seconds of the simulated clock have passed since the start."""
        left = self._start + due_s / self.speed - self.clock()
        if left > 0.0:
            self.sleep(left)


class WirePublisher(FeedPublisher):
    """The feed's publisher with a wire on which messages can be lost: counted and repeated in hellos, never sent."""

    losing = False
    """While true, markers are not sent. Hellos are, as the two are lost independently."""

    def _send(self, topic: str, payload: bytes) -> None:
        if not (self.losing and topic == "marker"):
            super()._send(topic, payload)

    def step(self, step: DriveStep) -> None:
        """The markers of a step, then its frame."""
        for marker in step.markers:
            self.losing = marker.lost
            self.marker(marker.kind, marker.name, marker.t, marker.data)
        self.losing = False
        if step.lost:
            self.seq += 1
        else:
            self.frame(step.t, step.own, step.others, step.signals, step.wall)


def drive_messages(plan: SimulationPlan) -> Iterator[DriveStep]:
    """The steps of the drive as they go onto the wire. Pure: no clock, no sockets, equal for equal plans."""
    return steps_of(make_drive(plan))


def run_simulation(
    plan: SimulationPlan,
    announce: Callable[[str], None],
    warn: Callable[[str], None],
    is_held_back: Callable[[], bool] | None = None,
) -> None:
    """Publishes the drive and returns when it has ended.

    `announce` is first given the endpoint as bound, and nothing else in that call; then sentences on what happens.
    `warn` is given a sentence where a listener has not taken all of it.
    `is_held_back` is asked before each step whether somebody at the simulator's desk holds the gate back.
    Raises `WitnessError` where the endpoint cannot be bound or the truth file cannot be written.
    """
    drive = make_drive(plan)
    ended = False
    if plan.truth_path is not None:  # told now, not after the drive; and something is left of a drive that is killed
        write_truth(plan.truth_path, plan, drive.truth, ended=False)
    publisher = _bound(plan, drive)
    try:
        announce(publisher.endpoint)
        if plan.wait_for_subscriber_s > 0.0 and not publisher.wait_for_subscriber(plan.wait_for_subscriber_s):
            announce(f"Nobody has subscribed within {plan.wait_for_subscriber_s:g} s; the drive begins all the same.")
        publisher.hello()
        announce(f"The drive {plan.run} begins.")
        try:
            _publish(publisher, _held(drive, is_held_back), Pace(plan.speed))
            ended = True
        finally:
            if plan.truth_path is not None:
                write_truth(plan.truth_path, plan, drive.truth, ended=ended)
        announce(f"The drive {plan.run} has ended.")
        pace = Pace(1.0)
        for count in range(1, GOODBYE_HELLOS + 1):
            pace.wait_until(GOODBYE_S * count / GOODBYE_HELLOS)
            publisher.hello()
    finally:
        is_taken = False
        try:
            is_taken = publisher.close(AT_THE_END_S if ended else LINGER_S)
        finally:
            if not is_taken:
                warn(not_taken(publisher.endpoint))


def _held(drive: Drive | Scene, is_held_back: Callable[[], bool] | None) -> Iterator[DriveStep]:
    for step in steps_of(drive):
        yield step
        if is_held_back is not None and isinstance(drive, Drive):
            drive.script.held_back = drive.script.held_back or is_held_back()


def _bound(plan: SimulationPlan, drive: Drive | Scene) -> WirePublisher:
    try:
        return WirePublisher(
            plan.bind,
            run=plan.run,
            source=SOURCE,
            rate_hz=plan.rate_hz,
            signals=dict(plan.about.signals),
            participant=plan.participant,
            group=plan.group,
            scenario=plan.feed_scenario,
            road=drive.course.road_line(),
        )
    except zmq.ZMQError as error:
        raise WitnessError(
            f"The simulator cannot be bound to {plan.bind} ({error.strerror}); "
            "give an endpoint such as tcp://127.0.0.1:5600 that nobody else uses."
        ) from error


def _publish(publisher: WirePublisher, steps: Iterator[DriveStep], pace: Pace) -> None:
    for step in steps:
        pace.wait_until(step.due_s)
        publisher.step(step)

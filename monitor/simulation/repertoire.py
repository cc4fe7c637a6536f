"""The kinds of drives by name: what goes wrong in each, the groups that it knows, the signals that it sends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.simulation.scenarios import SCENARIOS
from monitor.simulation.steps import SIGNALS

ONE_ALERT: Mapping[str, tuple[str, ...]] = {
    "chime": ("sound",),
    "seat-pulse": ("vibration",),
    "light-strip": ("light",),
    "no-alert": (),
}
"""Alert groups of the study "dusk-road" and what each is given."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of drive."""

    name: str
    words: str
    feed_scenario: str
    """What its hello says to be driven."""
    scenarios: Mapping[str, str]
    """Name → what goes wrong, in one line; `clean` first."""
    groups: Mapping[str, tuple[str, ...]]
    """Alert group → modalities; in a study within participants the orders, with nothing of their own."""
    signals: Mapping[str, str]

    @property
    def drives_dusk_road(self) -> bool:
        """Whether it is the demo's own drive, with all its scenarios."""
        return self.feed_scenario == "dusk-road"


_ROAD = {name: scenario.words for name, scenario in SCENARIOS.items()}

DEMO = "dusk-road"

_ALL = (
    Kind(DEMO, "the demo: two surprises on a forest road", "dusk-road", _ROAD, ONE_ALERT, SIGNALS),
    Kind("rear-end", "one surprise by a braking lead", "dusk-road", _ROAD, ONE_ALERT, SIGNALS),
    Kind(
        "lane-departure",
        "an open number of lane departure alerts",
        "dusk-drift",
        {
            "clean": "nothing is wrong",
            "one-missed": "the third departure gives no alert",
            "one-too-many": "an alert comes without a departure",
            "late-alert": "the second alert comes 0.7 s late",
        },
        {"chime": ("sound",), "seat-pulse": ("vibration",)},
        {"drowsiness": "1"},
    ),
    Kind(
        "crossing",
        "one surprise by a pedestrian, triggered by time to arrival",
        "dusk-footpath",
        {
            "clean": "nothing is wrong",
            "too-slow": "the own car drives 38 km/h",
            "walker-stays": "the walker does not step off",
            "early-step": "the walker steps off 0.6 s too early",
        },
        {"chime": ("sound",), "no-alert": ()},
        {"eyes_on_road": "1"},
    ),
    Kind(
        "take-over",
        "one request to take over from automation",
        "dusk-roadworks",
        {
            "clean": "nothing is wrong",
            "hands-on": "the hands stay on the wheel while the automation drives",
            "no-request": "the request is not given",
            "automation-off-early": "the driver switches the automation off 6 s before the request",
        },
        {"tone": ("sound",), "tone-and-seat": ("sound", "vibration")},
        {"automation": "1", "hands_on_wheel": "1", "eyes_on_road": "1", "tablet_in_use": "1"},
    ),
    Kind(
        "following",
        "twenty slight brakings of the lead, alerts in an order within the participant",
        "dusk-platoon",
        {
            "clean": "nothing is wrong",
            "one-missed": "the seventh braking does not come",
            "wrong-treatment": "the seventh braking has the alert that its place in the order has not",
            "falls-back": "the driver falls far back before the fifteenth and sixteenth braking",
        },
        {"AB": (), "BA": ()},
        {"slow_cue": "1"},
    ),
)

KINDS: Mapping[str, Kind] = {kind.name: kind for kind in _ALL}

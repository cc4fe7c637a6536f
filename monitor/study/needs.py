"""Which channels of the feed a study looks at, and who looks at them."""

from __future__ import annotations

from monitor.study.model import Measure, Study

LATERAL_NEEDS = {
    "lane_offset": ("lane_offset",),
    "time_to_line": ("lane_offset",),
    "distance_to_line": ("lane_offset",),
}
ROLLING_NEEDS = {
    "sdlp": ("lane_offset",),
    "lane_departures": ("lane_offset",),
    "steering_reversal_rate": ("steering_angle",),
}
OTHERS = "others"
"""Stands for the other vehicles in a list of needs."""


def needed_channels(study: Study) -> dict[str, list[str]]:
    """Channel → the conditions and rules that look at it. Of a road line alone `lane_offset` can be made, too."""
    needs: dict[str, list[str]] = {}

    def need(measure: Measure, who: str) -> None:
        if measure.kind == "pair":
            names: tuple[str, ...] = (OTHERS, "speed")
        elif measure.kind == "role":
            names = (OTHERS,)
        elif measure.kind == "lateral":
            names = LATERAL_NEEDS.get(measure.name, (measure.name,))
        elif measure.kind == "rolling":
            names = ROLLING_NEEDS.get(measure.name, (measure.name,))
        else:
            names = (measure.name,)
        for name in names:
            if who not in needs.setdefault(name, []):
                needs[name].append(who)

    for trigger in study.triggers:
        for condition in trigger.conditions:
            need(condition.measure, condition.name)
        for term in (*trigger.armed_when, *trigger.fires_when):
            need(term.measure, f"the rule of {trigger.name}")
        if trigger.before is not None and trigger.before.brake_at_most is not None:
            needs.setdefault("brake", []).append(f"the look back before {trigger.name}")
        if trigger.response is not None:
            for name in ("brake", "accelerator"):
                needs.setdefault(name, []).append(f"the response to {trigger.name}")
    return needs

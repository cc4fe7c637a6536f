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
        for name in _channels_of(measure):
            if who not in needs.setdefault(name, []):
                needs[name].append(who)

    for trigger in study.triggers:
        for condition in trigger.conditions:
            for looked in condition.alternatives:
                need(looked.measure, condition.name)
        for term in (*trigger.armed_when, *trigger.fires_when):
            for one in term.alternatives:
                need(one.measure, f"the rule of {trigger.name}")
        if trigger.before is not None and trigger.before.brake_at_most is not None:
            needs.setdefault("brake", []).append(f"the look back before {trigger.name}")
        if trigger.hazard is not None and trigger.hazard.onset is not None:
            need(trigger.hazard.onset.measure, f"the hazard of {trigger.name}")
        rule, who = trigger.response, f"the response to {trigger.name}"
        if rule is not None:
            for sign in rule.signs:
                need(sign.measure, who)
            if rule.stable is not None:
                need(rule.stable.measure, who)
            for name in () if rule.signs else ("brake", "accelerator"):
                needs.setdefault(name, []).append(who)
    return needs


def _channels_of(measure: Measure) -> tuple[str, ...]:
    """The channels that a measure is made of."""
    match measure.kind:
        case "pair":
            return (OTHERS,) if measure.from_role is not None else (OTHERS, "speed")
        case "role":
            return (OTHERS,)
        case "lateral":
            return LATERAL_NEEDS.get(measure.name, (measure.name,))
        case "rolling":
            return ROLLING_NEEDS.get(measure.name, (measure.name,))
        case "point":
            place = ("station",) if measure.point is not None and measure.point.x_m is None else ("x", "y")
            return (OTHERS,) if measure.role is not None else (*place, "speed")
        case "event":
            return ()
    return (measure.name,)

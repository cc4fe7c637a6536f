"""What of a study file without fault may still not be meant: sentences that loading says and nobody is stopped by."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

from monitor.study.model import Group, Reason, Treatment, Trigger
from monitor.tables.faults import quoted

SEED_CAUTION = (
    "[assignment] has a seed, from which anybody could compute the order. It is not used any more: lots are drawn from "
    "the system's randomness with assign --prepare; leave the seed out."
)


def surprises_that_come_again(triggers: Iterable[Trigger], reasons: Mapping[str, Reason]) -> list[str]:
    """A caution for each surprise that the study itself expects more than once: all but the first are lost."""
    return [
        f"{one.name} has the surprise class {quoted(one.surprise_class or '')} and is expected {often} times: each "
        "after the first will be invalid (not-naive). For events that surprise nobody leave out surprise_class."
        for one in triggers
        for often in [max((n for n in (one.expected, *one.expected_by_scenario.values()) if n != "any"), default=0)]
        if one.surprise_class is not None and often > 1 and reasons["not-naive"].severity == "void"
    ]


def unbalanced_orders(
    groups: Mapping[str, Group], treatments: Mapping[str, Treatment], triggers: Iterable[Trigger]
) -> list[str]:
    """Cautions of a study within participants: a treatment that comes earlier than another one over all orders, so that
    practice and fatigue go with it, and an order that the expected events do not come out even with."""
    if not treatments:
        return []
    found = []
    for place in range(max((len(group.order) for group in groups.values()), default=0)):
        at = Counter(group.order[place] for group in groups.values() if place < len(group.order))
        often = {name: at[name] for name in treatments}
        if len(set(often.values())) > 1:
            said = ", ".join(f"{name} {count}" for name, count in often.items())
            found.append(
                f"The orders are not balanced: in place {place + 1} stand {said} times, so that what comes with time "
                "cannot be told from the treatment."
            )
            break
    for trigger in triggers:
        for group in groups.values():
            block = len(group.order) * group.each
            if isinstance(trigger.expected, int) and block and trigger.expected % block:
                found.append(
                    f"{trigger.name} is expected {trigger.expected} times, and the order of {group.name} has {block} "
                    "events: not all of its treatments come equally often."
                )
    return found

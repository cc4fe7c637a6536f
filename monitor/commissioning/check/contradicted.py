"""What the channels of own car, and of the vehicle that is there longest, say otherwise of the same thing: by the tests
that each trial is held against."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.commissioning.check.doubts import Sanity
from monitor.judging.evidence.bodies import Body
from monitor.judging.evidence.contradictions import contradictions_of
from monitor.judging.evidence.cutting import bodies_in
from monitor.measures.columns import FrameBlock, Road
from monitor.study.model import Study

AFTER_CONTACT_S = 1.0
"""A contact changes both speeds at once, which no acceleration channel is asked to tell; the slowest test looks back
so far."""


def contradicted(block: FrameBlock, road: Road | None, study: Study, sanity: Sanity) -> list[str]:
    """A sentence each. What another doubt says of the channel already is left out, and what a contact explains."""
    known = {one.channel.removeprefix("others.") for one in sanity.doubts}
    found = []
    bodies = bodies_in(block, road, study.accepted)
    contact_t = _contact_t(bodies)
    for body in bodies:
        for one in contradictions_of(body, float(block.t[0])):
            if one.code == "channels-disagree" and not one.is_explained and not known & one.channels:
                if contact_t is None or not 0.0 <= one.at - contact_t <= AFTER_CONTACT_S:
                    found.append(one.sentence)
            elif one.code in ("implausible-jump", "body-changed"):
                found.append(one.sentence)
    return found


def _contact_t(bodies: Sequence[Body]) -> float | None:
    """When own car and the vehicle first touched, by their places and lengths, seconds; None where they never did."""
    if len(bodies) < 2:
        return None
    own, other = bodies
    _, at_own, at_other = np.intersect1d(own.t, other.t, return_indices=True)
    apart = np.hypot(
        own.channel("x")[at_own] - other.channel("x")[at_other], own.channel("y")[at_own] - other.channel("y")[at_other]
    )
    reach = (own.channel("length")[at_own] + other.channel("length")[at_other]) / 2.0
    touching = np.flatnonzero(apart <= reach)
    return float(own.t[at_own[touching[0]]]) if len(touching) else None

"""Own car and another vehicle cut out of a stretch of a drive, as the evidence tests take them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from monitor.judging.case.stretch import Stretch
from monitor.judging.evidence.bodies import Body, changes, way_of
from monitor.measures.columns import FloatArray, FrameBlock, IntArray, Road
from monitor.measures.lead import rows_of
from monitor.measures.path import Projection
from monitor.measures.placement import own_way
from monitor.study.model import Accepted

OWN = "own car"

OWN_NAMES = (
    *("x", "y", "heading", "speed", "accel", "length", "width", "yaw_rate", "station", "lane", "lane_offset"),
    *("steering_angle", "accelerator", "brake"),
)


def bodies_in(frames: FrameBlock, road: Road | None, accepted: Iterable[Accepted] = ()) -> list[Body]:
    """Own car, and the other vehicle that is there longest, in all of a block's frames."""
    every = [*accepted]
    found = [_own(frames, road, len(frames), every)]
    if not len(frames.others.id):
        return found
    ids, counts = np.unique(frames.others.id, return_counts=True)
    chosen = int(ids[int(np.argmax(counts))])
    rows = rows_of(frames, chosen)
    there = np.flatnonzero(rows >= 0)
    channels = {name: column[rows[there]] for name, column in frames.others.channels.items()}
    who = frames.others.names.get(chosen, f"vehicle {chosen}")
    other = _body(who, frames, there, channels, [one for one in every if one.of == "others"])
    return [*found, other if road is None else _placed(other, road, own_way(frames, road).on_line(rows[there]))]


def own_body(stretch: Stretch, until_t: float, accepted: Iterable[Accepted] = ()) -> Body:
    """Own car in the frames of a stretch, none of them after `until_t`."""
    return _own(stretch.frames, stretch.road, stretch.last_at(until_t) + 1, [*accepted])


def role_body(
    stretch: Stretch, rows: IntArray, who: str, until_t: float, accepted: Iterable[Accepted] = ()
) -> Body | None:
    """The vehicle in each frame's row, in the frames in which it is there; None where it never is."""
    frames, road = stretch.frames, stretch.road
    there = np.flatnonzero(rows[: stretch.last_at(until_t) + 1] >= 0)
    if not len(there):
        return None
    others, row = frames.others, rows[there]
    channels = {name: column[row] for name, column in others.channels.items()}
    if others.label is not None:
        channels["label"] = others.label[row].astype(np.float64)
    channels["id"] = others.id[row].astype(np.float64)
    body = _body(who, frames, there, channels, [one for one in accepted if one.of == "others"])
    # in all of the stretch, as the measures to the vehicle ask for it
    return body if road is None else _placed(body, road, own_way(frames, road).on_line(rows[rows >= 0]))


def _own(frames: FrameBlock, road: Road | None, stop: int, accepted: list[Accepted]) -> Body:
    channels = {name: frames.own[name][:stop] for name in OWN_NAMES if name in frames.own}
    body = _body(OWN, frames, np.arange(stop), channels, [one for one in accepted if one.of == "own"])
    return body if road is None else _placed(body, road, own_way(frames, road).here)


def _body(
    who: str, frames: FrameBlock, at: IntArray, channels: dict[str, FloatArray], accepted: list[Accepted]
) -> Body:
    """A body in some of a block's frames."""
    for one in accepted:
        column = channels.get(one.channel)
        # what was accepted as not filled is no channel while it stays so; once it changes it is held against the others
        if one.kind == "not filled" and column is not None and not changes(column)[1:].any():
            del channels[one.channel]
    return Body(
        who=who,
        t=frames.t[at],
        seq=frames.seq[at],
        channels=channels,
        offsets={one.channel: one.size for one in accepted if one.kind == "offset"},
        steps={one.channel: one.size for one in accepted if one.kind == "steps"},
    )


def _placed(body: Body, road: Road, on_line: Projection) -> Body:
    """A body with its way; `on_line` begins with the places of its frames."""
    if "x" not in body.channels or "y" not in body.channels:
        return body
    n = len(body)
    place = Projection(on_line.s[:n], on_line.d[:n], on_line.heading[:n])
    return replace(body, way=way_of(road, place))

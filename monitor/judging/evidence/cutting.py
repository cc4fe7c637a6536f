"""Own car and another vehicle cut out of a stretch of a drive, as the evidence tests take them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from monitor.judging.case.stretch import Stretch
from monitor.judging.evidence.bodies import Body, changes, way_of
from monitor.measures.columns import FloatArray, FrameBlock, IntArray, Road
from monitor.measures.lead import rows_of
from monitor.study.model import Accepted

OWN = "own car"

OWN_NAMES = (
    *("x", "y", "heading", "speed", "accel", "length", "width", "yaw_rate", "station", "lane", "lane_offset"),
    *("steering_angle", "accelerator", "brake"),
)


def bodies_in(frames: FrameBlock, road: Road | None, accepted: Iterable[Accepted] = ()) -> list[Body]:
    """Own car, and the other vehicle that is there longest, in all of a block's frames."""
    every = [*accepted]
    own = {name: frames.own[name] for name in OWN_NAMES if name in frames.own}
    found = [_body(OWN, (frames, road), np.arange(len(frames)), own, [one for one in every if one.of == "own"])]
    if not len(frames.others.id):
        return found
    ids, counts = np.unique(frames.others.id, return_counts=True)
    chosen = int(ids[int(np.argmax(counts))])
    rows = rows_of(frames, chosen)
    there = np.flatnonzero(rows >= 0)
    channels = {name: column[rows[there]] for name, column in frames.others.channels.items()}
    who = frames.others.names.get(chosen, f"vehicle {chosen}")
    found.append(_body(who, (frames, road), there, channels, [one for one in every if one.of == "others"]))
    return found


def own_body(stretch: Stretch, until_t: float, accepted: Iterable[Accepted] = ()) -> Body:
    """Own car in the frames of a stretch, none of them after `until_t`."""
    stop = stretch.last_at(until_t) + 1
    frames = stretch.frames
    channels = {name: frames.own[name][:stop] for name in OWN_NAMES if name in frames.own}
    return _body(OWN, (frames, stretch.road), np.arange(stop), channels, [one for one in accepted if one.of == "own"])


def role_body(
    stretch: Stretch, rows: IntArray, who: str, until_t: float, accepted: Iterable[Accepted] = ()
) -> Body | None:
    """The vehicle in each frame's row, in the frames in which it is there; None where it never is."""
    stop = stretch.last_at(until_t) + 1
    there = np.flatnonzero(rows[:stop] >= 0)
    if not len(there):
        return None
    others, row = stretch.frames.others, rows[there]
    channels = {name: column[row] for name, column in others.channels.items()}
    if others.label is not None:
        channels["label"] = others.label[row].astype(np.float64)
    channels["id"] = others.id[row].astype(np.float64)
    return _body(who, (stretch.frames, stretch.road), there, channels, [one for one in accepted if one.of == "others"])


def _body(
    who: str,
    place: tuple[FrameBlock, Road | None],
    at: IntArray,
    channels: dict[str, FloatArray],
    accepted: list[Accepted],
) -> Body:
    """A body in some of a block's frames."""
    frames, road = place
    for one in accepted:
        column = channels.get(one.channel)
        # what was accepted as not filled is no channel while it stays so; once it changes it is held against the others
        if one.kind == "not filled" and column is not None and not changes(column)[1:].any():
            del channels[one.channel]
    way = None
    if road is not None and "x" in channels and "y" in channels:
        way = way_of(road, channels["x"], channels["y"])
    return Body(
        who=who,
        t=frames.t[at],
        seq=frames.seq[at],
        channels=channels,
        way=way,
        offsets={one.channel: one.size for one in accepted if one.kind == "offset"},
        steps={one.channel: one.size for one in accepted if one.kind == "steps"},
    )

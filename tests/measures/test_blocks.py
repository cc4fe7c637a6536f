"""However a drive is cut into blocks, every measure is the same in every frame, to the last bit."""

from __future__ import annotations

from typing import Any

import msgpack
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.feed.decode import Frame, decode_message
from monitor.judging.case.columns import build_block
from monitor.measures.columns import FrameBlock, Road, join_blocks, join_pieces, slice_block
from monitor.measures.gap import PairMeasures, pair_measures
from monitor.measures.lateral import LateralMemory, lateral_measures
from monitor.measures.lead import lead_rows, rows_named, rows_of

ANGLE = np.linspace(0.0, 4.0, 90)
ROAD = Road(150.0 * np.sin(ANGLE), 150.0 * (1.0 - np.cos(ANGLE)), lane_width=3.5, lanes=2)

holes = st.sampled_from(["none", "few", "many"])


def drive(seed: int, frames: int, hole: str) -> list[Frame]:
    """Frames of a made-up drive on the road, with holes in channels and numbers, and vehicles that come and go."""
    rng = np.random.default_rng(seed)
    share = {"none": 0.0, "few": 0.03, "many": 0.4}[hole]

    def maybe(value: Any) -> Any:
        drawn = rng.random()
        return None if drawn < share * 0.5 else float(rng.choice([np.nan, np.inf, -np.inf])) if drawn < share else value

    made, seq, t = [], 0, 0.0
    for index in range(frames):
        seq += 1 + int(rng.random() < 0.05)
        t += 1 / 60 if rng.random() > 0.03 else 0.5
        own_angle = 0.3 + 0.02 * index
        own = vehicle(rng, own_angle, maybe)
        optional = {
            "yaw_rate": 0.13,
            "station": 150 * own_angle,
            "lane": 0,
            "lane_offset": rng.normal(0, 0.3),
            "lane_width": 3.5,
        }
        own.update((name, maybe(value)) for name, value in optional.items() if rng.random() > 0.3)
        count = int(rng.integers(0, 5))
        rows = [vehicle(rng, own_angle + rng.normal(0.1, 0.3), maybe) for _ in range(count)]
        columns: dict[str, Any] = {name: [row[name] for row in rows] for name in own if name in rows[0]} if rows else {}
        if rows:
            columns["id"] = rng.permutation(8)[:count].tolist()
            if rng.random() > 0.3:
                columns["name"] = [str(rng.choice(["van", "bus"])) if rng.random() > 0.5 else None for _ in rows]
            if rng.random() > 0.4:
                columns["station"] = [maybe(150 * (own_angle + rng.normal(0, 0.3))) for _ in rows]
                columns["lane"] = [maybe(int(rng.integers(0, 2))) for _ in rows]
        fields = {"v": 1, "run": "r", "seq": seq, "t": t, "own": own, "others": columns, "markers": 0}
        signals = {"eyes_on_road": bool(rng.random() > 0.5)} if rng.random() > 0.5 else {}
        frame = decode_message([b"frame", msgpack.packb({**fields, "signals": signals})])
        assert isinstance(frame, Frame), frame
        made.append(frame)
    return made


def vehicle(rng: np.random.Generator, angle: float, maybe: Any) -> dict[str, Any]:
    radius = 150.0 + rng.normal(0.0, 2.5)
    values = {
        "x": radius * np.sin(angle),
        "y": 150.0 - radius * np.cos(angle),
        "heading": angle + rng.normal(0.0, 0.05) + (np.pi if rng.random() < 0.2 else 0.0),
        "speed": float(rng.choice([0.0, 0.05, 18.0, 20.0, 20.05])),
        "accel": rng.normal(0.0, 3.0),
        "length": 4.6,
        "width": 1.8,
    }
    return {name: maybe(float(value)) for name, value in values.items()}


Rows = dict[str, np.ndarray]


def measure(block: FrameBlock, before: LateralMemory | None, road: Road | None) -> tuple[LateralMemory | None, Rows]:
    """Everything that there is of a block, one array a name."""
    rows = lead_rows(block, road)
    memory, lateral = lateral_measures(before, block, road)
    groups = {
        "lead": pair_measures(block, road, rows),
        "three": pair_measures(block, road, rows_of(block, 3)),
        "van": pair_measures(block, road, rows_named(block, "van")),
        "lateral": lateral,
    }
    found = {"lead_id": np.where(rows >= 0, np.append(block.others.id, -1)[rows], -1)}
    for group, measures in groups.items():
        for name, one in measures.items():
            found[f"{group}.{name}"], found[f"{group}.{name} state"] = one.value, one.state
    return memory, found


@pytest.mark.parametrize("road", [None, ROAD], ids=["no road", "road"])
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**31), frames=st.integers(1, 60), hole=holes, data=st.data())
@pytest.mark.slow
def test_any_split_gives_exactly_the_same(road: Road | None, seed: int, frames: int, hole: str, data: Any) -> None:
    drawn = drive(seed, frames, hole)
    _, whole = measure(build_block(drawn, range(frames)), None, road)
    cuts = data.draw(st.sets(st.integers(1, frames)).map(sorted), label="cuts")
    memory, parts = None, []
    for first, stop in zip([0, *cuts], [*cuts, frames], strict=True):
        memory, part = measure(build_block(drawn[first:stop], range(first, stop)), memory, road)
        parts.append(part)
    for name, values in whole.items():
        np.testing.assert_array_equal(np.concatenate([part[name] for part in parts]), values, err_msg=name)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), frames=st.integers(1, 40), hole=holes, data=st.data())
def test_blocks_cut_and_joined_again_are_the_block(seed: int, frames: int, hole: str, data: Any) -> None:
    drawn = drive(seed, frames, hole)
    block = build_block(drawn, range(frames))
    cuts = data.draw(st.sets(st.integers(1, frames)).map(sorted), label="cuts")
    spans = list(zip([0, *cuts], [*cuts, frames], strict=True))
    if data.draw(st.booleans(), label="cut before they are made"):
        again = join_blocks([build_block(drawn[first:stop], range(first, stop)) for first, stop in spans])
    elif data.draw(st.booleans(), label="joined when they are asked for"):
        again = join_pieces([(block, first, stop) for first, stop in spans if first < stop])
    else:
        again = join_blocks([slice_block(block, first, stop) for first, stop in spans])
    for whole, joined in ((block.own, again.own), (block.signals, again.signals)):
        assert whole.keys() == joined.keys()
        for name, values in whole.items():
            np.testing.assert_array_equal(joined[name], values)
    for name in ("number", "seq", "t", "wall", "markers"):
        np.testing.assert_array_equal(getattr(again, name), getattr(block, name))
    np.testing.assert_array_equal(again.others.start, block.others.start)
    np.testing.assert_array_equal(again.others.id, block.others.id)
    for name, values in block.others.channels.items():
        np.testing.assert_array_equal(again.others.channels[name], values)
    for vehicle_name in ("van", "bus"):
        np.testing.assert_array_equal(rows_named(again, vehicle_name), rows_named(block, vehicle_name))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), frames=st.integers(1, 40), hole=holes, data=st.data())
def test_pair_measures_cut_and_joined_again_are_those_of_the_block(
    seed: int, frames: int, hole: str, data: Any
) -> None:
    """Whichever of them were asked for before, and whether or not some were kept without what they were made of."""
    block = build_block(drive(seed, frames, hole), range(frames))
    whole = pair_measures(block, ROAD, lead_rows(block, ROAD))
    cuts = data.draw(st.sets(st.integers(1, frames - 1)).map(sorted) if frames > 1 else st.just([]), label="cuts")
    source = pair_measures(block, ROAD, lead_rows(block, ROAD))
    parts = []
    for first, stop in zip([0, *cuts], [*cuts, frames], strict=True):
        for name in data.draw(st.sets(st.sampled_from(sorted(whole))), label="asked for"):
            assert len(source[name].value) == frames
        part = source.part(first, stop)
        kept = data.draw(st.booleans(), label="kept")
        parts.append(PairMeasures(None, dict(part)) if kept else part)
    again = PairMeasures.joined(parts)
    assert list(again) == list(whole)
    for name, one in whole.items():
        np.testing.assert_array_equal(again[name].value, one.value, err_msg=name)
        np.testing.assert_array_equal(again[name].state, one.state, err_msg=name)


def test_the_made_up_drives_reach_every_state_and_method() -> None:
    """Guards the property above against drives in which nothing happens."""
    states: set[int] = set()
    leads = 0
    for seed in range(30):
        _, found = measure(build_block(drive(seed, 60, "few"), range(60)), None, ROAD)
        leads += int((found["lead_id"] >= 0).sum())
        states.update(*(np.unique(values).tolist() for name, values in found.items() if name.endswith("state")))
    assert states == set(range(7))
    assert leads > 300

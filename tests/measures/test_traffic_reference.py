"""Gap, time gap, TTC and DRAC against a general traffic simulator's surrogate-safety log (see data/README.md)."""

from __future__ import annotations

import math
from typing import Any

import msgpack
import numpy as np
import numpy.typing as npt
import pytest

from monitor.feed.decode import Frame, decode_message
from monitor.judging.case.columns import build_block
from monitor.measures.columns import BoolArray, FrameBlock, IntArray, Road
from monitor.measures.gap import pair_measures
from monitor.measures.lead import lead_rows, rows_named
from monitor.measures.measured import Measured, State
from tests.measures.conftest import table

PRINTED = 2e-6
LENGTHS = {"ego": 4.8, "lead": 7.3, "nb": 4.2}
THREE_LANES = Road(np.array([0.0, 3000.0]), np.array([0.0, 0.0]), lane_width=3.5, lanes=3)


def vehicle(row: Any, name: str) -> dict[str, Any]:
    """A vehicle of the log in the feed's terms: from the front bumper's middle to the box centre, north to east."""
    heading = math.radians(90.0 - float(row[f"{name}_angle"]))
    half = LENGTHS[name] / 2
    return {
        "x": float(row[f"{name}_x"]) - half * math.cos(heading),
        "y": float(row[f"{name}_y"]) - half * math.sin(heading),
        "heading": heading,
        "speed": float(row[f"{name}_v"]),
        "accel": float(row[f"{name}_a"]),
        "length": LENGTHS[name],
        "width": 1.8,
        "station": float(row[f"{name}_s"]) - half,
        "lane": int(row[f"{name}_lane"]),
    }


def block_of_log(states: npt.NDArray[Any], stationed: bool) -> FrameBlock:
    frames = []
    for seq, row in enumerate(states, start=1):
        own = {**vehicle(row, "ego"), "yaw_rate": 0.0}
        others = [{"id": number, "name": name, **vehicle(row, name)} for number, name in ((1, "lead"), (2, "nb"))]
        if not stationed:
            for one in (own, *others):
                del one["station"], one["lane"]
        columns = {key: [one[key] for one in others] for key in others[0]}
        fields = {"v": 1, "run": "r", "seq": seq, "t": float(row["t"]), "own": own, "others": columns}
        frame = decode_message([b"frame", msgpack.packb({**fields, "signals": {}, "markers": 0})])
        assert isinstance(frame, Frame), frame
        frames.append(frame)
    return build_block(frames, range(1, len(frames) + 1))


Log = tuple[npt.NDArray[Any], IntArray, npt.NDArray[Any]]


@pytest.fixture(scope="module")
def log() -> Log:
    """States, and of the log the rows in which own car follows someone: foe, TTC, DRAC by frame index."""
    states, safety = table("states_straight_0.05.csv"), table("ssm_straight_0.05.csv")
    following = safety[(safety["type"] == 2) & (safety["t"] < states["t"][-1] + 1e-9)]
    index = np.searchsorted(states["t"], following["t"] - 1e-9)
    np.testing.assert_allclose(states["t"][index], following["t"], atol=1e-9)
    return states, index, following


def comparable(following: npt.NDArray[Any]) -> BoolArray:
    """Rows with a TTC, without the log's rounding noise, and above our floor: closing = gap/TTC = 2·DRAC·TTC."""
    ttc = following["ttc"].astype(float)
    closing = 2.0 * following["drac"].astype(float) * ttc
    told: BoolArray = np.isfinite(ttc) & (ttc < 1e6) & (closing > 0.101)
    return told


def test_the_lead_is_the_one_of_the_log_and_changes_with_the_lane(log: Log) -> None:
    states, index, following = log
    block = block_of_log(states, stationed=True)
    rows = lead_rows(block, THREE_LANES)[index]
    labels = block.others.label
    assert labels is not None
    names = [block.others.labels[labels[row]] for row in rows]
    assert names == following["foe"].tolist()
    changed = states["t"][index][np.array(names) == "nb"][0]
    assert changed == pytest.approx(24.25)


@pytest.mark.parametrize("road", [None, THREE_LANES], ids=["no road", "road"])
def test_ttc_and_drac_are_those_of_the_log(log: Log, road: Road | None) -> None:
    states, index, following = log
    block = block_of_log(states, stationed=True)
    measures = pair_measures(block, road, lead_rows(block, road))
    same = comparable(following)
    assert same.sum() > 300
    ttc, drac = (Measured(measures[name].value[index], measures[name].state[index]) for name in ("ttc", "drac"))
    assert (ttc.state[same] == State.MEASURED).all()
    np.testing.assert_allclose(ttc.value[same], following["ttc"][same], atol=PRINTED, rtol=0)
    np.testing.assert_allclose(drac.value[same], following["drac"][same], atol=PRINTED, rtol=0)
    opening = np.isnan(following["ttc"].astype(float))
    assert opening.sum() > 300
    assert (ttc.state[opening] == State.NOT_CLOSING).all()
    assert (drac.value[opening] < 1e-9).all()


def test_by_the_road_line_alone_while_own_car_keeps_its_lane(log: Log) -> None:
    """The log's stations leave out the tilt of a lane change, so those frames are left out."""
    states, index, following = log
    block = block_of_log(states, stationed=False)
    rows = np.full(len(block), -1)
    for foe in ("lead", "nb"):
        of_foe = index[following["foe"] == foe]
        rows[of_foe] = rows_named(block, foe)[of_foe]
    same = comparable(following) & (states["ego_angle"][index] == 90)
    assert same.sum() > 250
    for road in (None, THREE_LANES):
        ttc = pair_measures(block, road, rows)["ttc"].value[index]
        np.testing.assert_allclose(ttc[same], following["ttc"][same], atol=PRINTED, rtol=0)


def test_controls_that_must_differ(log: Log) -> None:
    """Had we taken centres for bumpers, or the frame before or after, this comparison would have shown it."""
    states, index, following = log
    block = block_of_log(states, stationed=True)
    rows = lead_rows(block, None)
    measures = pair_measures(block, None, rows)
    expected = following["ttc"].astype(float)
    same = comparable(following) & (index > 0) & (index < len(states) - 1)

    def agrees(value: np.ndarray) -> float:
        return float((np.abs(value[same] - expected[same]) <= PRINTED).mean())

    ttc = measures["ttc"].value
    assert agrees(ttc[index]) == 1.0
    assert agrees(np.roll(ttc, 1)[index]) < 0.01
    assert agrees(np.roll(ttc, -1)[index]) < 0.01
    lead_length = block.others.channels["length"][rows]
    centre_to_centre = measures["distance_gap"].value + (4.8 + lead_length) / 2
    with np.errstate(divide="ignore"):
        assert agrees((centre_to_centre / measures["closing_speed"].value)[index]) == 0.0


def test_gap_and_time_gap_from_the_states_themselves(log: Log) -> None:
    """Lead's front less its length less own front, as the log's own scenario states it: 45.0 m at the start."""
    states, _, _ = log
    block = block_of_log(states, stationed=True)
    measures = pair_measures(block, None, rows_named(block, "lead"))
    assert measures["distance_gap"].value[0] == pytest.approx(45.0, abs=PRINTED)
    assert measures["time_gap"].value[0] == pytest.approx(1.607143, abs=PRINTED)

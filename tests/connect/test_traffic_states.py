"""The states of a general traffic simulator through a channel map give that simulator's own time to collision.

Data and provenance: tests/measures/data/README.md (Eclipse SUMO 1.28.0 and its surrogate-safety log, six decimals).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from monitor.connect.channel_map.convert import Converter
from monitor.connect.channel_map.loading import load_map
from monitor.connect.channel_map.model import CsvSource
from monitor.connect.sources.csv import CsvReader
from monitor.feed.composing import FeedComposer
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame
from monitor.judging.case.columns import build_block
from monitor.measures.columns import FrameBlock
from monitor.measures.gap import pair_measures
from monitor.measures.lead import lead_rows

HERE = Path(__file__).resolve().parent
DATA = HERE.parent / "measures" / "data"
PRINTED = 2e-6


@pytest.fixture(scope="module")
def block() -> FrameBlock:
    channels = load_map(HERE / "files" / "traffic-states.toml")
    assert isinstance(channels.source, CsvSource)
    reader = CsvReader(channels, channels.source, DATA / "states_straight_0.05.csv", None)
    converter, composer = Converter(channels), FeedComposer(run="r", source="s", rate_hz=20)
    frames = []
    while (samples := reader.samples(0.0)) is not None:
        for sample in samples:
            one = converter.convert(sample, converter.time_of(sample))
            frame = decode_message([b"frame", composer.frame(one.t, one.own, one.others)])
            composer.frame_sent()
            assert isinstance(frame, Frame), frame
            frames.append(frame)
    reader.close()
    assert (reader.refused, converter.absent) == (0, set())
    return build_block(frames, range(len(frames)))


def test_time_to_collision_to_the_last_printed_digit(block: FrameBlock) -> None:
    log = np.genfromtxt(DATA / "ssm_straight_0.05.csv", delimiter=",", names=True, dtype=None, encoding="utf-8")
    following = log[(log["type"] == 2) & (log["t"] < block.t[-1] + 1e-9)]
    index = np.searchsorted(block.t, following["t"] - 1e-9)
    ttc = following["ttc"].astype(float)
    closing = 2.0 * following["drac"].astype(float) * ttc
    same = np.isfinite(ttc) & (ttc < 1e6) & (closing > 0.101)  # without its rounding noise, and above our floor
    assert same.sum() > 300
    measures = pair_measures(block, None, lead_rows(block, None))
    np.testing.assert_allclose(measures["ttc"].value[index][same], ttc[same], atol=PRINTED, rtol=0)
    np.testing.assert_allclose(
        measures["drac"].value[index][same], following["drac"].astype(float)[same], atol=PRINTED, rtol=0
    )


def test_the_first_gap_is_the_scenarios_own(block: FrameBlock) -> None:
    gap = pair_measures(block, None, lead_rows(block, None))["distance_gap"].value
    assert gap[0] == pytest.approx(45.0, abs=PRINTED)

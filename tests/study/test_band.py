"""The one rule by which a value lies in a band: every edge written in decimals is in, a step beyond it is out."""

from __future__ import annotations

import ast
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import monitor
from monitor.following.slow import in_band
from monitor.judging.case.values import IN, stand_in_band
from monitor.measures.measured import Measured, State
from monitor.study.band import Band
from monitor.study.model import Measure

EDGES = [Decimal(n) / 10 for n in range(-60, 61, 3)] + [Decimal(n) for n in (13, 22, 70, 700)] + [Decimal("22.2")]
TOLERANCES = [Decimal(n) / 100 for n in (0, 3, 5, 10, 20, 25, 30, 33)]
STEP = Decimal("0.001")


@pytest.mark.parametrize("tolerance", TOLERANCES, ids=str)
def test_a_decimal_edge_is_in_and_a_thousandth_beyond_it_is_out(tolerance: Decimal) -> None:
    for edge in EDGES:
        upper = Band(None, float(edge), float(tolerance))
        lower = Band(float(edge), None, float(tolerance))
        assert upper.contains_one(float(edge + tolerance)), edge
        assert lower.contains_one(float(edge - tolerance)), edge
        assert upper.contains_one(float(np.float32(float(edge + tolerance)))), edge
        assert not upper.contains_one(float(edge + tolerance + STEP)), edge
        assert not lower.contains_one(float(edge - tolerance - STEP)), edge


def test_the_lane_of_three_and_a_half_metres_at_a_tolerance_of_a_tenth() -> None:
    band = Band(None, 3.4, 0.1)
    standing = stand_in_band(np.zeros(1), Measured(np.array([3.5]), np.zeros(1, np.uint8)), band, LANE)
    assert standing.inside[0] == IN
    assert in_band(3.5, None, band) == "met"
    assert band.words("m") == "at most 3.4 m ± 0.1"
    assert band.tolerance_for(np.array([3.5, 3.2]))[1] == 0.0


LANE = Measure("own", "lane_width", None, "m")
number = st.floats(-1000.0, 1000.0)


@given(number, number, st.floats(0.0, 5.0), st.lists(number | st.just(float("nan")), min_size=1, max_size=8))
def test_verdict_panel_and_band_say_the_same_of_any_value(
    one: float, other: float, tolerance: float, values: list[float]
) -> None:
    band = Band(min(one, other), max(one, other), tolerance)
    value = np.array(values)
    state = np.where(np.isnan(value), int(State.NOT_MEASURED), int(State.MEASURED)).astype(np.uint8)
    standing = stand_in_band(np.zeros(len(value)), Measured(value, state), band, LANE)
    for inside, single in zip(standing.inside, values, strict=True):
        if np.isnan(single):
            assert inside == -1
            continue
        assert (inside == IN) == band.contains_one(single) == bool(band.contains(np.array(single)))
        assert in_band(single, None, band) == ("met" if inside == IN else "not met")
        assert (band.beyond(single) == 0) == (inside == IN)


@given(number, number, st.lists(number, min_size=1, max_size=8))
def test_the_least_tolerance_takes_a_value_in_and_a_thousandth_less_does_not(
    one: float, other: float, values: list[float]
) -> None:
    band = Band(min(one, other), max(one, other))
    for value, tolerance in zip(values, band.tolerance_for(np.array(values)), strict=True):
        assert Band(band.at_least, band.at_most, float(tolerance)).contains_one(value)
        if tolerance > 0.002:
            assert not Band(band.at_least, band.at_most, float(tolerance) - 0.002).contains_one(value)


def operands(node: ast.AST) -> list[ast.expr]:
    """What an arithmetic expression or a comparison is made of."""
    match node:
        case ast.BinOp():
            return [node.left, node.right]
        case ast.Compare():
            return [node.left, *node.comparators]
        case ast.UnaryOp():
            return [node.operand]
        case _:
            return []


def test_no_other_module_adds_a_tolerance_to_an_edge() -> None:
    root = Path(monitor.__file__).parent
    found = [
        f"{file.relative_to(root)}:{ast.unparse(one)}"
        for file in sorted(root.rglob("*.py"))
        if file.name != "band.py"
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        for one in operands(node)
        if ast.unparse(one).endswith("band.tolerance")
    ]
    assert found == []

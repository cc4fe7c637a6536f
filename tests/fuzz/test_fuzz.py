"""The fuzz that maintainers run for hours, for as many inputs as every change can wait for."""

from __future__ import annotations

import os

import pytest

from tests.fuzz.__main__ import found_in

INPUTS = 50_000


def test_a_few_random_inputs_find_nothing() -> None:
    assert list(found_in(20251128, iter(range(200)), 1)) == []


@pytest.mark.slow(seconds=120)
def test_fifty_thousand_random_inputs_find_nothing() -> None:
    assert list(found_in(20251129, iter(range(INPUTS)), os.cpu_count() or 1)) == []

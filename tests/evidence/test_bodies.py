"""The middle and the upper number of a few hundred, against numpy's."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.judging.evidence.bodies import middle, upper


@pytest.mark.parametrize("digits", [None, 1], ids=["all different", "with ties"])
@pytest.mark.parametrize("with_nan", [False, True])
def test_they_are_numpys_to_the_last_bit(digits: int | None, with_nan: bool) -> None:
    rng = np.random.default_rng(11)
    for count in range(1, 400):
        values = rng.normal(size=count)
        values = values if digits is None else np.round(values, digits)
        if with_nan:
            values[rng.integers(count)] = np.nan
        assert np.array_equal(middle(values), np.median(values), equal_nan=True)
        for share in (0.5, 0.9, 0.99, 1.0):
            assert np.array_equal(upper(values, share), np.quantile(values, share), equal_nan=True), (count, share)

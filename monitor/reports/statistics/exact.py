"""Exact tests on counts, in whole numbers: no rounding decides which table is as unlikely as the one observed."""

from __future__ import annotations

from collections.abc import Sequence
from math import comb

MOST_KINDS = 30_000
"""Different probabilities kept while tables are counted; beyond it there are too many tables for an exact test."""


def exact_test(table: Sequence[tuple[int, int]]) -> float | None:
    """Two-sided p of a table of groups × (with, without) under "no difference between the groups", margins fixed.

    Fisher's exact test for two groups, its extension to more after Freeman & Halton 1951: the sum over all tables that
    are as unlikely as the observed one or more so. 1.0 where nothing can differ; None where there are too many tables.
    """
    sizes = [with_ + without for with_, without in table]
    total = sum(with_ for with_, _ in table)
    observed = 1
    for (with_, _), size in zip(table, sizes, strict=True):
        observed *= comb(size, with_)
    # number counted so far → {product of binomial coefficients: how many ways}
    ways: dict[int, dict[int, int]] = {0: {1: 1}}
    for size in sizes:
        further: dict[int, dict[int, int]] = {}
        for counted, products in ways.items():
            for more in range(min(size, total - counted) + 1):
                into = further.setdefault(counted + more, {})
                factor = comb(size, more)
                for product, times in products.items():
                    into[product * factor] = into.get(product * factor, 0) + times
            if sum(len(products) for products in further.values()) > MOST_KINDS:
                return None
        ways = further
    extreme = sum(product * times for product, times in ways.get(total, {}).items() if product <= observed)
    return extreme / comb(sum(sizes), total)

"""Whether anything can be told from features: two classifiers that look at all of them, held against chance.

One takes the single feature that tells best in one half of the participants and is asked about the other half; one is
a regularised linear discriminant over all numbers. Both are cross-validated in ten folds, so that each participant is
told by what was learnt from others. The interval is Wilson's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray
from monitor.reports.statistics.intervals import wilson
from tests.leaks.artefacts import Features

FOLDS = 10


@dataclass(frozen=True, slots=True)
class Reading:
    """How many participants were told rightly. `low`, `high`: 95 % interval of the share; chance is `chance`."""

    question: str
    classifier: str
    right: int
    of: int
    low: float
    high: float
    chance: float
    best: str
    """The feature that was taken most often."""

    @property
    def leaks(self) -> bool:
        """Whether it did better than chance."""
        return self.low > self.chance

    def __str__(self) -> str:
        return (
            f"{self.question}, {self.classifier}: {self.right} of {self.of} right ({self.right / self.of:.0%}, 95 % "
            f"{self.low:.0%} to {self.high:.0%}; chance {self.chance:.0%}); {self.best}"
        )


def readings(question: str, people: list[Features], label: BoolArray) -> list[Reading]:
    """Both classifiers on one question."""
    names = sorted({name for one in people for name in one})
    columns = {name: [one.get(name) for one in people] for name in names}
    columns = {name: column for name, column in columns.items() if len(set(column)) > 1}
    chance = max(float(label.mean()), 1.0 - float(label.mean()))
    numbers = {name: _as_numbers(column) for name, column in columns.items()}
    folds = np.random.default_rng(7).permutation(len(people)) % FOLDS
    return [
        _read(question, "best single feature", _stump(numbers, label, folds), label, chance),
        _read(question, "linear discriminant", (_discriminant(numbers, label, folds), ""), label, chance),
    ]


def _read(question: str, classifier: str, told: tuple[BoolArray, str], label: BoolArray, chance: float) -> Reading:
    right = int((told[0] == label).sum())
    interval = wilson(right, len(label))
    assert interval is not None
    return Reading(question, classifier, right, len(label), *interval, chance, told[1])


def _as_numbers(column: list[float | str | None]) -> FloatArray:
    """Numbers as they are; words by their rank among all words, what is missing apart from all."""
    if all(one is None or isinstance(one, float) for one in column):
        known = [one for one in column if isinstance(one, float)]
        low = min(known) - 1.0 - (max(known) - min(known))
        return np.array([low if one is None else one for one in column], dtype=np.float64)
    order = {one: place for place, one in enumerate(sorted({str(one) for one in column}))}
    return np.array([order[str(one)] for one in column], dtype=np.float64)


def _stump(numbers: dict[str, FloatArray], label: BoolArray, folds: np.ndarray) -> tuple[BoolArray, str]:
    told = np.zeros(len(label), np.bool_)
    if not numbers:
        return told, ""
    names, table = list(numbers), np.array(list(numbers.values()))
    taken: list[str] = []
    for fold in range(FOLDS):
        learn, ask = folds != fold, folds == fold
        column, cut, above = _best_cut(table[:, learn], label[learn])
        taken.append(names[column])
        told[ask] = (table[column, ask] > cut) == above
    return told, max(set(taken), key=taken.count)


def _best_cut(table: FloatArray, label: BoolArray) -> tuple[int, float, bool]:
    """Of columns, shape (columns, people), the one that tells best, where it is cut, and whether above it is yes."""
    order = np.argsort(table, axis=1, kind="stable")
    value, yes = np.take_along_axis(table, order, axis=1), label[order]
    below = np.cumsum(yes, axis=1)[:, :-1]
    told = (yes.sum(axis=1, keepdims=True) - below) + (np.arange(1, len(label)) - below)
    both = np.stack([told, len(label) - told], axis=1)  # columns, above or below, cuts
    both = np.where((np.diff(value, axis=1) > 0)[:, None, :], both, -1)
    column, side, at = np.unravel_index(int(np.argmax(both)), both.shape)
    return int(column), 0.5 * float(value[column, at] + value[column, at + 1]), side == 0


def _discriminant(numbers: dict[str, FloatArray], label: BoolArray, folds: np.ndarray) -> BoolArray:
    table = np.array(list(numbers.values())).T if numbers else np.zeros((len(label), 1))
    spread = table.std(axis=0)
    table = (table - table.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    told = np.zeros(len(label), np.bool_)
    kernel = table @ table.T / max(table.shape[1], 1)  # ridge regression by its dual: far more features than people
    for fold in range(FOLDS):
        learn, ask = folds != fold, folds == fold
        target = np.where(label[learn], 1.0, -1.0)
        inner = kernel[np.ix_(learn, learn)] + 0.1 * np.eye(int(learn.sum()))
        weight = np.linalg.solve(inner, target - target.mean())
        told[ask] = kernel[np.ix_(ask, learn)] @ weight + target.mean() > 0.0
    return told

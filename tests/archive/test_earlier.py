"""What a participant met in earlier runs is read from the records, and unknown never counts as naive."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from monitor.archive.earlier import Earlier, earlier_of

FIXTURES = Path(__file__).resolve().parents[2] / "replay_fixtures"


def kept(records: Path, *names: str) -> Path:
    for name in names:
        shutil.copytree(FIXTURES / f"{name}.run", records / f"Q01-{name}.run")
    return records


@pytest.mark.parametrize(
    ("fixture", "classes"),
    [
        ("clean", {("rear-end", "no"), ("gust", "no")}),
        # neither the van braked nor an alert came: the participant is as naive as before; the gust came
        ("never-fired", {("gust", "no")}),
        ("not-reached", set()),
    ],
)
def test_exposure_follows_the_evidence_of_the_hazard(
    fixture: str, classes: set[tuple[str, str]], tmp_path: Path
) -> None:
    found = earlier_of(kept(tmp_path, fixture), "Q01")
    assert {(one["surprise_class"], one["naive"]) for one in found.exposures} == classes
    assert found.known


def test_another_participant_is_not_spent_by_it(tmp_path: Path) -> None:
    assert earlier_of(kept(tmp_path, "clean"), "Q02") == Earlier()


def test_an_unreadable_record_makes_nobody_naive(tmp_path: Path) -> None:
    kept(tmp_path, "clean")
    (tmp_path / "Q01-clean.run" / "record.sealed").write_bytes(b"nothing of a record")
    assert not earlier_of(tmp_path, "Q02").known


def test_a_damaged_record_leaves_it_unknown_for_every_class(tmp_path: Path) -> None:
    found = earlier_of(kept(tmp_path, "damaged"), "Q01").exposures
    assert ("*", "unknown") in {(one["surprise_class"], one["naive"]) for one in found}

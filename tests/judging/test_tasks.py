"""The visual task about a trigger. Common practice, no source: a look away of about three seconds is the critical
duration, and a reading task that forces it shows six items half a second apart: 6 × 0.5 s = 3.0 s."""

from __future__ import annotations

import pytest

from monitor.judging.case.trial import Trial
from tests.judging.hand import FIRE_T, STUDY, HandDrive, Mark, found_codes, judged, live, study_of

TASK = """[trigger.task]
name = "arrow-grid"
begins_at_least_s = 0.5
begins_at_most_s = 2.5
lasts_s = 2.8
items = 6
spacing_s = 0.5
spacing_tolerance_s = 0.05
"""
TEXT = STUDY.replace("[trigger.alert]", f"{TASK}[trigger.alert]")
ALERT: Mark = (10.3, "alert_on", "alert", {"modality": "sound"})


def task(
    begins: float = FIRE_T - 1.5,
    *,
    items: int = 6,
    spacing: float = 0.5,
    lasts: float | None = 3.0,
    name: str = "arrow-grid",
    starts: bool = True,
) -> list[Mark]:
    marks: list[Mark] = [(begins, "task_start", name, {})] if starts else []
    marks += [(begins + k * spacing, "task_item", name, {"item": k + 1}) for k in range(items)]
    marks += [(begins + lasts, "task_end", name, {})] if lasts is not None else []
    return [*marks, ALERT]


def judged_with(markers: list[Mark], lost_markers: frozenset[int] = frozenset()) -> Trial:
    drive = HandDrive(markers=markers, end_t=20.0, lost_markers=lost_markers)
    (trial,) = judged(drive, study=study_of(TEXT)).trials()
    return trial


def test_six_items_half_a_second_apart_pass() -> None:
    trial = judged_with(task())
    assert found_codes(trial) == []
    assert trial.verdict == "valid"


@pytest.mark.parametrize(
    ("markers", "code", "words"),
    [
        (task(items=5), "task-items", "showed 5 items, 6 are asked for"),
        (task(items=7), "task-items", "showed 7 items, 6 are asked for"),
        (task(items=0), "task-items", "showed 0 items, 6 are asked for"),
        (task(spacing=0.6), "task-spacing", "came 0.60 s apart at 9.10 s, 0.50 ± 0.05 s is asked for"),
        (task(spacing=0.4), "task-spacing", "came 0.40 s apart"),
        (task(lasts=2.6), "task-ended-early", "after 2.60 s"),
        (task(FIRE_T - 0.3), "task-late", "began only 0.30 s before the fire, band 0.50–2.50 s"),
        (task(FIRE_T - 2.6), "task-early", "began 2.60 s before the fire, band 0.50–2.50 s"),
        (task(FIRE_T + 0.4), "task-late", "began at 10.40 s, 0.40 s after the fire"),
    ],
)
def test_what_is_found_and_in_which_words(markers: list[Mark], code: str, words: str) -> None:
    trial = judged_with(markers)
    (finding,) = [one for one in trial.findings if one.code == code]
    assert words in finding.sentence
    assert finding.severity == "doubtful"
    assert trial.verdict == "undecided"


@pytest.mark.parametrize("spacing", [0.451, 0.549])
def test_spacing_inside_its_tolerance_passes(spacing: float) -> None:
    assert found_codes(judged_with(task(spacing=spacing))) == []


@pytest.mark.parametrize("begins", [FIRE_T - 0.5, FIRE_T - 2.5])
def test_the_band_of_the_begin_is_closed(begins: float) -> None:
    assert found_codes(judged_with(task(begins, lasts=4.0))) == []


@pytest.mark.parametrize(("begins", "ended"), [(FIRE_T - 2.4, "9.60 s, 0.40 s before"), (2.0, "4.00 s, 6.00 s before")])
def test_a_task_that_ended_before_the_fire_was_not_running(begins: float, ended: str) -> None:
    trial = judged_with(task(begins, lasts=2.0, items=4))
    assert found_codes(trial) == ["task-missing"]
    assert ended in trial.findings[0].sentence
    assert trial.verdict == "invalid"


def test_no_task_at_all_is_void() -> None:
    trial = judged_with([ALERT])
    assert found_codes(trial) == ["task-missing"]
    assert trial.verdict == "invalid"


def test_another_task_does_not_count() -> None:
    assert found_codes(judged_with(task(name="other-task"))) == ["task-missing"]


def test_a_lost_marker_may_have_been_the_tasks() -> None:
    # the start is lost for good: more than 32 markers follow it before the next hello
    crowd: list[Mark] = [(FIRE_T - 1.49 + 0.0001 * k, "other", "x", {}) for k in range(40)]
    trial = judged_with([*task(items=0, lasts=None), *crowd], frozenset({2}))
    assert "task-missing" not in found_codes(trial)
    assert set(found_codes(trial)) == {"marker-lost"}
    assert trial.verdict == "undecided"


def test_nothing_is_said_while_the_markers_may_still_come() -> None:
    early = HandDrive(markers=[], end_t=FIRE_T + 1.0, ends=False)
    (trial,) = live(early, study=study_of(TEXT)).trials()
    assert found_codes(trial) == []


def test_items_are_counted_only_once_the_task_is_over() -> None:
    during = HandDrive(markers=task(lasts=3.0), end_t=FIRE_T + 0.2, ends=False)
    (trial,) = live(during, study=study_of(TEXT)).trials()
    assert "task-items" not in found_codes(trial)


@pytest.mark.parametrize(("score", "codes"), [(0.5, []), (0.49, ["task-score"]), (1, []), ("good", []), (None, [])])
def test_the_answers_score_where_the_simulator_gives_one(score: object, codes: list[str]) -> None:
    text = TEXT.replace("items = 6\n", "items = 6\nscore_at_least = 0.5\n")
    marks = [(t, kind, name, {"score": score} if kind == "task_end" else data) for t, kind, name, data in task()]
    (trial,) = judged(HandDrive(markers=marks, end_t=20.0), study=study_of(text)).trials()
    assert found_codes(trial) == codes
    if codes:
        assert "right to 0.49 at 11.50 s, at least 0.50 is asked for" in trial.findings[0].sentence


def test_a_drive_that_ends_during_the_task_is_no_fault_of_the_task() -> None:
    drive = HandDrive(markers=task(), end_t=FIRE_T + 0.9)
    (trial,) = judged(drive, study=study_of(TEXT)).trials()
    assert "task-items" not in found_codes(trial)
    assert "window-cut" in found_codes(trial)

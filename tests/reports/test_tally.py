"""The tally: every trial counted once, by its effective verdict, and everything said that keeps one from counting."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from monitor.archive import judging_anew
from monitor.archive.engine.run import How
from monitor.archive.gathering import gather
from monitor.archive.summary_cache import CACHE_NAME, fresh_summary
from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.addendum import append_addendum
from monitor.record.entries import Opening
from monitor.record.sealing import seal_record
from monitor.record.withdrawing import withdraw_record
from monitor.record.writer import RecordWriter
from monitor.reports.tally.tally import tally_json, tally_studies
from monitor.reports.tally.text import tally_lines
from tests.judging.hand import FIRE_T, HandDrive, study_of
from tests.reports.making import REPORT_STUDY, hand_drive, hand_record


def tally(directory: Path, **more: Any) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(json.dumps(tally_json(gather(directory, **more)), allow_nan=False))
    return told


def groups(document: dict[str, Any], study: int = 0, trigger: int = 0) -> dict[str, dict[str, Any]]:
    return {one["group"]: one for one in document["studies"][study]["triggers"][trigger]["groups"]}


def counts(one: dict[str, Any]) -> dict[str, int]:
    return {name: one[name] for name in ("run", "valid", "invalid", "undecided", "awaiting", "still_needed")}


def too_long_gap() -> HandDrive:
    """The van is 45 m ahead until it brakes: a time gap of 2.25 s, outside the band."""
    return hand_drive(van=lambda t: {"x": van_x(t), "station": van_x(t)})


def van_x(t: float) -> float:
    braking = min(max(t - FIRE_T, 0.0), 4.0)
    return 100.0 + 45.0 + (4.6 + 5.9) / 2 + 20.0 * min(t, FIRE_T) + 20.0 * braking - 2.5 * braking**2


def ruling(trial: str, verdict: str, reason: str = "participant-unwell") -> dict[str, Any]:
    return {
        "type": "ruling",
        "trial": trial,
        "verdict": verdict,
        "reason": reason,
        "words": "",
        "by": "anna",
        "wall": 1.0,
    }


TRIAL = "1/gate-brake/1"


def test_trials_by_group_and_effective_verdict(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    hand_record(tmp_path, "Q02", response_s=None)
    hand_record(tmp_path, "Q03", drive=too_long_gap())
    hand_record(tmp_path, "Q04", "no-alert", day=1)
    hand_record(
        tmp_path, "Q05", "no-alert", day=2, drive=hand_drive("no-alert", lost_frames=frozenset(range(196, 204)))
    )
    hand_record(tmp_path, "Q06", "no-alert", day=2, drive=replace(hand_drive(), group="no-alert"))
    document = tally(tmp_path)
    found = groups(document)
    # no response is a valid trial
    assert counts(found["chime"]) == {
        "run": 3, "valid": 2, "invalid": 1, "undecided": 0, "awaiting": 0, "still_needed": 2,
    }  # fmt: skip
    assert found["chime"]["invalid_by_reason"] == {"time gap: not met": 1}
    assert counts(found["no-alert"]) == {
        "run": 3, "valid": 1, "invalid": 1, "undecided": 1, "awaiting": 1, "still_needed": 3,
    }  # fmt: skip
    assert found["no-alert"]["invalid_by_reason"] == {"alert-wrong": 1}
    assert "witness-gap" in found["no-alert"]["undecided_by_reason"]
    assert document["studies"][0]["triggers"][0]["days"] == [
        {"day": "2026-11-02", "valid": 2, "other": 1},
        {"day": "2026-11-03", "valid": 1, "other": 0},
        {"day": "2026-11-04", "valid": 0, "other": 2},
    ]
    assert (document["records"], document["faults"]) == (6, [])


def test_rulings_count_wherever_they_were_entered(tmp_path: Path) -> None:
    gap = frozenset(range(196, 204))
    hand_record(tmp_path, "Q01", operator=[ruling(TRIAL, "invalid")])
    open_ = hand_record(tmp_path, "Q02", drive=hand_drive(lost_frames=gap))
    hand_record(tmp_path, "Q03", drive=hand_drive(lost_frames=gap), operator=[ruling(TRIAL, "undecided", "other")])
    before = groups(tally(tmp_path))["chime"]
    assert counts(before) == {
        "run": 3, "valid": 0, "invalid": 1, "undecided": 2, "awaiting": 1, "still_needed": 4,
    }  # fmt: skip
    assert before["invalid_by_reason"] == {"participant-unwell": 1}
    seal_record(open_)
    append_addendum(open_, ruling(TRIAL, "valid", "judged-harmless"))
    after = groups(tally(tmp_path))["chime"]
    assert counts(after) == {
        "run": 3, "valid": 1, "invalid": 1, "undecided": 1, "awaiting": 0, "still_needed": 3,
    }  # fmt: skip


def test_who_met_the_surprise_before_is_counted_as_not_naive(tmp_path: Path) -> None:
    met = {"surprise_class": "rear-end", "naive": "no", "record": "x", "trial": TRIAL, "why": "it showed itself"}
    hand_record(tmp_path, "Q01", exposures=(met,))
    hand_record(tmp_path, "Q02", exposures_known=False)
    hand_record(tmp_path, "Q03")
    found = groups(tally(tmp_path))["chime"]
    assert (found["not_naive"], found["run"], found["valid"]) == (2, 3, 1)
    assert (found["invalid_by_reason"], found["undecided_by_reason"]) == ({"not-naive": 1}, {"naive-unknown": 1})


def test_nothing_of_the_responses_is_in_it(tmp_path: Path) -> None:
    for place, response_s in (("a", 0.6), ("b", None)):
        (tmp_path / place).mkdir()
        hand_record(tmp_path / place, "Q01", response_s=response_s)
    documents = [tally(tmp_path / place) for place in ("a", "b")]
    for document in documents:
        del document["directory"]
    assert documents[0] == documents[1]
    lines = ["\n".join(tally_lines(gather(tmp_path / place))) for place in ("a", "b")]
    assert lines[0] == lines[1]
    assert "respon" not in lines[0]


def test_unequal_loss_is_pointed_out_with_the_exact_test(tmp_path: Path) -> None:
    for number in range(5):
        hand_record(tmp_path, f"Q1{number}")
        hand_record(tmp_path, f"Q2{number}", "no-alert", operator=[ruling(TRIAL, "invalid", "equipment")])
    trigger = tally(tmp_path)["studies"][0]["triggers"][0]
    # Fisher's exact test of 5 : 0 against 0 : 5 is 2 / C(10, 5)
    assert trigger["unequal_loss"] == {"p": pytest.approx(2 / 252), "pointed_out": True, "groups": 2}
    text = " ".join(" ".join(tally_lines(gather(tmp_path))).split())
    assert "LOSS IS UNEQUAL: chime 0 of 5, no-alert 5 of 5" in text
    assert "p = 0.008" in text


def test_a_test_that_shows_nothing_is_not_said_to_show_equality(tmp_path: Path) -> None:
    for number in range(4):
        hand_record(tmp_path, f"Q1{number}")
        lost = [ruling(TRIAL, "invalid", "equipment")] if number < 2 else []
        hand_record(tmp_path, f"Q2{number}", "no-alert", operator=lost)
    text = " ".join(" ".join(tally_lines(gather(tmp_path))).split())
    # Fisher's exact test of 0 of 4 against 2 of 4: p = 2 * 6 / 28; Wilson's intervals of 0/4 and 2/4
    assert "Loss by group: chime 0 of 4, no-alert 2 of 4. An inequality is not shown" in text
    assert "p = 0.429), nor is it ruled out" in text
    assert "loss may be 0% to 49% (chime), 15% to 85% (no-alert)." in text


def test_a_withdrawn_record_of_an_earlier_version_stands_under_no_group(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    gone = hand_record(tmp_path, "Q02")
    withdraw_record(gone, "anna")
    tombstone = json.loads((gone / "tombstone.json").read_text())
    (gone / "tombstone.json").write_text(json.dumps({key: tombstone[key] for key in tombstone if key != "group"}))
    assert groups(tally(tmp_path))["(not known)"]["withdrawn"] == 1


# What keeps a record from counting: each said, none fatal


def test_an_empty_directory_and_none_at_all(tmp_path: Path) -> None:
    assert tally(tmp_path)["studies"] == []
    assert tally_lines(gather(tmp_path)) == [f"{tmp_path} holds no run that can be counted."]
    with pytest.raises(RecordUnreadable, match="no directory of records"):
        gather(tmp_path / "nowhere")


def damage(path: Path, at: float, length: int) -> None:
    (part,) = path.glob("part-*.twr")
    content = bytearray(part.read_bytes())
    place = int(len(content) * at)
    content[place : place + length] = bytes(length)
    part.write_bytes(content)


def test_damaged_and_unreadable_records_among_good_ones(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    bad = hand_record(tmp_path, "Q02")
    worse = hand_record(tmp_path, "Q03")
    tally(tmp_path)
    damage(bad, 0.8, 3000)
    damage(worse, 0.0, worse.joinpath("part-0001.twr").stat().st_size)
    document = tally(tmp_path)
    assert [one["record"] for one in document["unreadable"]] == [worse.name]
    assert groups(document)["chime"]["run"] == 2
    assert any(fault.startswith(f"{bad.name} is damaged") for fault in document["faults"])
    assert any(fault.startswith(f"{worse.name} is not counted") for fault in document["faults"])


def test_two_studies_mixed_are_counted_apart(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    hand_record(tmp_path, "Q02", text=REPORT_STUDY.replace('name = "hand"', 'name = "other"'))
    document = tally(tmp_path)
    assert [(one["study"], one["runs"]) for one in document["studies"]] == [("hand", 1), ("other", 1)]
    assert any("2 studies are mixed" in fault for fault in document["faults"])


def test_a_study_file_changed_in_mid_study_is_said_with_its_days(tmp_path: Path) -> None:
    changed = REPORT_STUDY.replace("at_most = 1.9", "at_most = 1.4")
    hand_record(tmp_path, "Q01")
    hand_record(tmp_path, "Q02", day=1)
    hand_record(tmp_path, "Q03", text=changed, day=2)
    document = tally(tmp_path)
    (fault,) = document["faults"]
    first, second = study_of(REPORT_STUDY), study_of(changed)
    assert f"{first.sha256[:8]} (2 runs, 2026-11-02 to 2026-11-03)" in fault
    assert f"{second.sha256[:8]} (1 run, 2026-11-04 to 2026-11-04)" in fault
    # each by its own file: the narrower band loses the third; by one file for all it loses every one, or none
    assert groups(document)["chime"]["valid"] == 2
    assert groups(tally(tmp_path, study=second))["chime"]["invalid"] == 3
    assert tally(tmp_path, study=first)["faults"] == []
    assert groups(tally(tmp_path))["chime"]["valid"] == 2


def test_what_is_withdrawn_running_open_or_without_a_trial(tmp_path: Path) -> None:
    gone = hand_record(tmp_path, "Q01")
    hand_record(tmp_path, "Q02", drive=hand_drive(fire_t=None, ends=False, end_t=2.0), closed=False)
    hand_record(tmp_path, "Q03", drive=hand_drive(end_t=-1.0))
    tally(tmp_path)
    withdraw_record(gone, "anna")
    assert not (gone / CACHE_NAME).exists()
    study = study_of(REPORT_STUDY)
    opening = Opening("Q04", "chime", study.name, study.text, study.sha256, (), {})
    with running(tmp_path, opening):
        document = tally(tmp_path)
        text = "\n".join(tally_lines(gather(tmp_path)))
    assert [one["record"] for one in document["withdrawn"]] == [gone.name]
    assert document["running"] == ["Q04-x.run"]
    assert groups(document)["chime"]["withdrawn"] == 1
    assert "(not known)" not in groups(document)
    assert "withdrawn, without data: chime 1" in text
    said = " ".join(document["remarks"])
    assert "was never closed; run: trialwitness recover Q02" in said
    assert "(Q03) holds no drive: nothing of it is counted" in said
    assert "Q04-x.run is being recorded and is not counted yet" in said
    assert "was withdrawn on" in text


class running:  # noqa: N801 - used as a with-statement
    """A record that is being written."""

    def __init__(self, directory: Path, opening: Opening) -> None:
        self.writer = RecordWriter.create(directory / "Q04-x.run", opening)

    def __enter__(self) -> None: ...

    def __exit__(self, *_: object) -> None:
        self.writer.close("over")


def test_a_copy_counts_and_is_said(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q01")
    shutil.copytree(path, tmp_path / "Q01-copy.run")
    document = tally(tmp_path)
    assert groups(document)["chime"]["run"] == 2
    assert any("is a copy of" in fault for fault in document["faults"])
    assert any("Q01 has 2 valid trials" in remark for remark in document["remarks"])


def test_a_participant_in_two_groups_is_said(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    hand_record(tmp_path, "Q01", "no-alert")
    assert "Q01 was run in more than one group: chime, no-alert." in tally(tmp_path)["remarks"]


# The cache


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The records that were judged anew, in order."""
    names: list[str] = []

    def note(path: Path, *more: Any, **named: Any) -> Any:
        names.append(path.name)
        return fresh_summary(path, *more, **named)

    monkeypatch.setattr(judging_anew, "fresh_summary", note)
    return names


def test_sealed_runs_are_judged_once(tmp_path: Path, judged: list[str]) -> None:
    paths = [hand_record(tmp_path, f"Q0{number}", sealed=True) for number in range(1, 4)]
    first = tally(tmp_path)
    assert sorted(judged) == sorted(path.name for path in paths)
    judged.clear()
    assert tally(tmp_path) == first
    assert judged == []
    for path in paths:
        (path / CACHE_NAME).unlink()
    assert tally(tmp_path) == first
    assert len(judged) == 3


def test_a_stale_or_wrong_cache_is_made_again(tmp_path: Path, judged: list[str]) -> None:
    path = hand_record(tmp_path, "Q01", sealed=True)
    first = tally(tmp_path)
    cache = path / CACHE_NAME
    whole = cache.read_text()
    wrong = [
        "",
        "[]",
        "null",
        "{",
        whole[: len(whole) // 2],
        whole.replace('"effective": "valid"', '"effective": "invalid"'),
        whole.replace('"chime"', '"no-alert"'),
        json.dumps({**json.loads(whole), "program": "0"}),
        json.dumps({**json.loads(whole), "files": {}}),
        json.dumps({**json.loads(whole), "files": []}),
        json.dumps({**json.loads(whole), "runs": {"own": {"record": "x"}}}),
        "\x00" * 100,
    ]
    for content in wrong:
        assert content != whole
        judged.clear()
        cache.write_text(content)
        assert tally(tmp_path) == first, content[:80]
        assert judged == [path.name], content[:80]
    append_addendum(path, ruling(TRIAL, "invalid"))
    judged.clear()
    assert groups(tally(tmp_path))["chime"]["invalid"] == 1
    assert judged == [path.name]


def test_a_copied_directory_is_not_judged_again_and_a_changed_byte_is(tmp_path: Path, judged: list[str]) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    hand_record(here, "Q01", sealed=True)
    tally(here)
    shutil.copytree(here, there, copy_function=shutil.copyfile)  # new times, the same bytes
    judged.clear()
    assert tally(there)["studies"] == tally(here)["studies"]
    assert judged == []
    (sealed,) = there.glob("*/record.sealed")
    content = bytearray(sealed.read_bytes())
    content[len(content) // 2 : len(content) // 2 + 4000] = bytes(4000)
    sealed.write_bytes(content)
    document = tally(there)
    assert judged == [sealed.parent.name]
    assert document["faults"]


def test_a_cache_from_another_record_or_program_does_not_count(
    tmp_path: Path, judged: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = hand_record(tmp_path, "Q01", sealed=True)
    other = hand_record(tmp_path, "Q02", "no-alert", sealed=True)
    first = tally(tmp_path)
    shutil.copy(other / CACHE_NAME, one / CACHE_NAME)
    judged.clear()
    assert tally(tmp_path) == first
    assert judged == [one.name]
    monkeypatch.setattr("monitor.archive.summary_cache.program_digest", lambda: "a newer program")
    judged.clear()
    assert tally(tmp_path) == first
    assert sorted(judged) == [one.name, other.name]


def test_a_cache_that_cannot_be_written_costs_time_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = hand_record(tmp_path, "Q01")

    def refuse(*_: Any, **__: Any) -> int:
        raise OSError(30, "read-only file system")

    monkeypatch.setattr("monitor.archive.summary_cache.os", SimpleNamespace(**{**vars(os), "open": refuse}))
    assert groups(tally(tmp_path))["chime"]["valid"] == 1
    assert not (path / CACHE_NAME).exists()


# For people


def test_every_line_fits_eighty_columns(tmp_path: Path) -> None:
    for number in range(4):
        hand_record(tmp_path, f"Q1{number}", day=number)
        hand_record(tmp_path, f"Q2{number}", "no-alert", day=2 * number, drive=too_long_gap())
    hand_record(tmp_path, "Q30", text=REPORT_STUDY.replace("Written by hand", "A title " * 30), day=9)
    lines = tally_lines(gather(tmp_path))
    assert max(map(len, lines)) <= 80
    assert any("valid trials so far" in line for line in lines)


def test_an_unknown_trigger_is_refused_with_those_there_are(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    with pytest.raises(WitnessError, match="gate-brake"):
        tally_studies(gather(tmp_path), "gate-break")


def test_judged_on_all_cores_it_is_the_same(tmp_path: Path) -> None:
    paths = [hand_record(tmp_path, f"Q0{number}", day=number) for number in range(4)]
    shutil.copytree(paths[0], tmp_path / "Q00-copy.run")
    (paths[3] / "part-0001.twr").write_bytes(bytes(1000))
    alone = gather(tmp_path)
    assert len(alone.runs) == 4
    for cache in tmp_path.glob(f"*.run/{CACHE_NAME}"):
        cache.unlink()
    assert gather(tmp_path, how=How(jobs=2)) == alone
    assert (paths[1] / CACHE_NAME).is_file()

"""Many records in, their answers out in order, whatever happens to one of them or to who judges them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.engine import unit as units
from monitor.archive.engine.addresses import RecordAt, look_at, record_at, records_at, which_of
from monitor.archive.engine.cluster import refuse_untrusted
from monitor.archive.engine.run import Answer, How, Progress, answers
from monitor.archive.engine.unit import Outcome, Task, Unit, do_unit
from monitor.errors import WitnessError
from monitor.record.addendum import append_addendum
from tests.archive import works
from tests.judging.hand import STUDY, HandDrive, study_of
from tests.replay.conftest import write_record

CODES = ("Q01", "Q02", "Q03", "Q04")


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four closed records and, in the middle, one of which nothing can be read."""
    folder = tmp_path_factory.mktemp("archive")
    for place, code in enumerate(CODES):
        write_record(
            folder,
            HandDrive(rate_hz=20.0, fire_t=None if place == 2 else 10.0),
            name=f"{code}-20261003T10150{place}Z-0a1b.run",
            participant=code,
        )
    broken = folder / "Q02x-20261003T101509Z-0a1b.run"
    broken.mkdir()
    (broken / "part-0001.twr").write_bytes(bytes(2000))
    return folder


def records_of(archive: Path) -> list[RecordAt]:
    return records_at([str(archive)])


def told(found: list[Answer]) -> str:
    return json.dumps([[one.record.label, one.value, one.fault, one.status] for one in found])


def test_answers_are_the_same_by_one_process_and_by_several(archive: Path) -> None:
    records, task = records_of(archive), Task(works.document)
    alone = list(answers(records, task))
    assert [one.record.name[:3] for one in alone] == ["Q01", "Q02", "Q02", "Q03", "Q04"]
    assert [bool(one.fault) for one in alone] == [False, False, True, False, False]
    assert alone[2].fault.startswith(str(records[2].label))
    assert [one.value["participant"] for one in alone if one.value] == list(CODES)
    assert told(list(answers(records, task, How(jobs=3)))) == told(alone)


def test_a_study_given_is_judged_by_everywhere(archive: Path) -> None:
    study = study_of(STUDY.replace("at_most = 1.9", "at_most = 1.4"))
    task = Task(works.document, study)
    alone, several = (list(answers(records_of(archive), task, How(jobs=jobs))) for jobs in (1, 2))
    assert told(alone) == told(several)
    assert alone[0].value["trials"][0]["verdict"] == "invalid"


def test_a_record_that_kills_its_worker_is_at_fault_and_no_other(archive: Path, tmp_path: Path) -> None:
    records = [one for one in records_of(archive) if not one.name.startswith("Q02x")]
    task = Task(works.dying, options={"deadly": records[1].name})
    found = list(answers(records, task, How(jobs=2)))
    assert [one.value for one in found] == [records[0].name, None, records[2].name, records[3].name]
    assert found[1].fault == f"{records[1].label}: its worker died twice while it was being judged"
    once = Task(works.dying, options={"once": records[1].name, "mark": str(tmp_path / "mark")})
    assert [one.value for one in answers(records, once, How(jobs=2))] == [one.name for one in records]


def test_a_fault_of_the_program_on_one_record_is_told_with_its_place(archive: Path) -> None:
    records = records_of(archive)
    found = list(answers(records, Task(works.broken, options={"which": records[0].name})))
    assert found[0].status == 70
    assert "KeyError in works.py, line" in found[0].fault
    assert [one.value for one in found[3:]] == [records[3].name, records[4].name]


def test_progress_tells_of_done_failed_and_the_time_left(archive: Path) -> None:
    told: list[Progress] = []
    list(answers(records_of(archive), Task(works.document), How(progress=told.append)))
    assert [(one.done, one.of, one.failed) for one in told][-1] == (5, 5, 1)
    assert all(one.rate > 0.0 for one in told)
    sentence = Progress(312, 2000, 3, 11.24, 150.2).sentence("judging records")
    assert sentence == "judging records: 312 of 2000, 3 failed, 11.2 a second, 2 min 30 s left"


def counting(tmp_path: Path) -> tuple[Task, Path]:
    count = tmp_path / "count"
    return Task(works.counted, options={"count": str(count)}), count


def test_a_stopped_run_is_taken_up_where_it_was(archive: Path, tmp_path: Path) -> None:
    task, count = counting(tmp_path)
    kept = tmp_path / "kept"
    how = How(keep=kept)
    stopped = answers(records_of(archive), task, how)
    next(stopped)
    next(stopped)
    assert isinstance(stopped, Generator)
    stopped.close()
    assert len(count.read_text().splitlines()) == 2
    whole = list(answers(records_of(archive), task, how))
    assert sorted(count.read_text().splitlines()) == sorted(one.value for one in whole if one.value)  # each once
    assert told(whole) == told(list(answers(records_of(archive), task, how)))
    assert len(count.read_text().splitlines()) == 4
    assert all(one.stat().st_mode & 0o077 == 0 for one in [kept, *kept.iterdir()])


def test_what_is_kept_is_not_used_for_another_record_study_or_program(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = Path(shutil.copytree(archive, tmp_path / "copy"))
    task, count = counting(tmp_path)
    how = How(keep=tmp_path / "kept")

    def asked() -> int:
        before = len(count.read_text().splitlines()) if count.exists() else 0
        list(answers(records_of(folder), task, how))
        return len(count.read_text().splitlines()) - before

    assert asked() == 4
    assert asked() == 0
    first = records_of(folder)[0].path
    assert first is not None
    append_addendum(first, {"type": "note", "text": "seen on video", "by": "ops", "wall": 1.0, "key": "k"})
    assert asked() == 1
    task = Task(task.work, study_of(STUDY), task.options)
    assert asked() == 4
    monkeypatch.setattr(units, "digest_of", lambda *names: "a newer program")
    assert asked() == 4
    for kept in (tmp_path / "kept").iterdir():
        kept.write_text(kept.read_text().replace("Q0", "Q9"))
    assert asked() == 4  # what was tampered with does not count


def test_answers_that_reveal_are_not_kept(archive: Path, tmp_path: Path) -> None:
    list(answers(records_of(archive), Task(works.document, reveals=True), How(keep=tmp_path / "kept")))
    assert not (tmp_path / "kept").exists()


def unit_for(record: RecordAt, task: Task, *, salt: str = "s", **more: Any) -> Unit:
    known = look_at(record)
    unit = Unit(
        task.work, record.folder, salt, which_of(salt, record.name), known.digest, task.program, None, "{}", False
    )
    return unit._replace(**more)


def test_nothing_of_a_participant_crosses_over(archive: Path) -> None:
    task = Task(works.document)
    for record in records_of(archive):
        if record.name.startswith("Q02x"):
            continue
        unit = unit_for(record, task)
        outcome = do_unit(unit)
        assert outcome.kind == "answer"
        crossed = json.dumps([*unit[1:], *outcome])
        assert not [code for code in CODES if code in crossed]
        restored = units.restored(outcome.text, record.label, record.name, record.name[:3])
        assert json.loads(restored)["participant"] == record.name[:3]


def test_a_record_that_was_renamed_still_has_its_own_code(archive: Path, tmp_path: Path) -> None:
    path = tmp_path / "somebody.run"
    shutil.copytree(records_of(archive)[0].path or "", path)
    (found,) = answers([record_at(path)], Task(works.document))
    assert (found.value["record"], found.value["participant"]) == (str(path), "Q01")


def test_another_record_than_was_asked_for_is_refused(archive: Path) -> None:
    record = records_of(archive)[0]
    outcome = do_unit(unit_for(record, Task(works.document), expected="00" * 32))
    assert outcome.kind == "fault"
    assert "it is another record" in outcome.text


def test_a_worker_of_another_program_refuses(archive: Path) -> None:
    outcome = do_unit(unit_for(records_of(archive)[0], Task(works.document), program="another"))
    assert outcome == Outcome("refused", "another version of this program, or of numpy, is installed there")


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:8786", "tcp://localhost:8786", "tls://far.example:8786", "tcp://[::1]:8786"]
)
def test_a_scheduler_here_or_behind_tls_is_trusted(address: str) -> None:
    refuse_untrusted(address, plain=False)


@pytest.mark.parametrize("address", ["tcp://10.0.0.7:8786", "tcp://far.example:8786", "tcp://127.0.0.1.example:8786"])
def test_a_scheduler_on_a_network_needs_a_word(address: str) -> None:
    with pytest.raises(WitnessError, match="--plain-network"):
        refuse_untrusted(address, plain=False)
    refuse_untrusted(address, plain=True)


@pytest.mark.parametrize("address", ["far:8786", "http://127.0.0.1:8786", "tcp://127.0.0.1", "nonsense"])
def test_what_is_no_address_of_a_scheduler_is_said(address: str) -> None:
    with pytest.raises(WitnessError, match="an address such as"):
        refuse_untrusted(address, plain=True)

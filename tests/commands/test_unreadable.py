"""What the system refuses is said in a sentence, with status 2, by every command; no record is left out in silence."""

from __future__ import annotations

import errno
import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.earlier import earlier_of
from monitor.archive.gathering import gather
from monitor.archive.rehearsals import newest_rehearsal
from monitor.commands.main import main
from monitor.record.entries import Opening
from monitor.record.places import list_records
from monitor.record.writer import RecordWriter, Writing
from monitor.reports.assigning.sealed import prepare
from tests.judging.hand import study_of
from tests.reports.making import REPORT_STUDY, hand_record

STUDY = Path(__file__).resolve().parents[2] / "configs" / "dusk-road.toml"


@pytest.fixture
def refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A directory of records in which one does not let itself be looked into (as another user's of mode 0700)."""
    records = tmp_path / "records"
    records.mkdir()
    hand_record(records, "Q01")
    other = hand_record(records, "Q02")

    def refusing(call: Callable[..., Any]) -> Callable[..., Any]:
        def act(path: object, *arguments: Any, **more: Any) -> Any:
            if isinstance(path, str | os.PathLike) and str(path).startswith(str(other)):
                raise PermissionError(errno.EACCES, "Permission denied", str(path))
            return call(path, *arguments, **more)

        return act

    for name in ("listdir", "open", "scandir"):
        monkeypatch.setattr(os, name, refusing(getattr(os, name)))
    return other


def status_of(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert isinstance(left.value.code, int)
    return left.value.code


def test_a_record_that_cannot_be_looked_into_is_listed_and_told(refused: Path) -> None:
    assert refused in list_records(refused.parent)
    gathered = gather(refused.parent)
    assert len(gathered.runs) == 1
    assert [name for name, _ in gathered.unreadable] == [refused.name]
    assert any("is not counted" in fault and "Permission denied" in fault for fault in gathered.faults())


@pytest.mark.parametrize("command", ["verify", "review", "recover", "seal", "closeout"])
def test_a_command_on_it_says_so_and_never_that_it_was_withdrawn(
    refused: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status_of(command, str(refused)) == 2
    said = capsys.readouterr().err
    assert "Permission denied" in said
    assert "Traceback" not in said
    assert "withdrawn" not in said.replace("is not withdrawn", "")


def test_tally_and_export_leave_no_record_out_in_silence(
    refused: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status_of("tally", str(refused.parent), "--json") == 1
    assert refused.name in capsys.readouterr().out
    assert status_of("export", str(refused.parent), "--to", "csv", "--out", str(tmp_path / "out")) in (1, 2)
    assert refused.name in "".join(capsys.readouterr())


NO_TEXT = os.fsdecode(b"caf\xe9")
"""A name in another encoding than UTF-8, as a file from elsewhere may have."""


@pytest.mark.parametrize("what", ["a file", "a record"])
def test_a_name_that_is_no_text_beside_the_records_keeps_none_of_them_from_being_read(
    what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records, out = tmp_path / "records", tmp_path / "out"
    records.mkdir()
    hand_record(records, "Q01")
    if what == "a file":
        (records / f"{NO_TEXT}.txt").write_text("notes")
    else:
        hand_record(records, "Q02").rename(records / f"{NO_TEXT}.run")
    faults = int(what == "a record")
    for line in (("tally",), ("tally", "--json"), ("export", "--to", "csv", "--out", str(out))):
        assert status_of(line[0], str(records), *line[1:]) == faults, line
        said = "".join(capsys.readouterr())
        assert ("is no text in UTF-8; rename it" in said) == bool(faults)
    assert [run.participant for run in gather(records).runs] == ["Q01"]


ON_A_DIRECTORY: dict[str, tuple[str, ...]] = {
    "tally": ("tally",),
    "review": ("review",),
    "forecast": ("forecast",),
    "compare": ("compare", "--unblind", "--by", "x"),
    "export": ("export", "--to", "csv", "--out", "OUT"),
    "report": ("report", "--out", "OUT"),
    "safety": ("safety",),
    "agreement": ("agreement",),
    "replay": ("replay",),
    "overview": ("overview", "--once", "--records"),
    "assign": ("assign", "--study", str(STUDY), "--records"),
}


@pytest.mark.parametrize(
    ("name", "left"),
    [
        (name, left)
        for name in ON_A_DIRECTORY
        for left in ((), ("columns.cache", "summary.cache"), ("part-1.twr",), None)
        if (name, left) != ("overview", None)  # it has what is recorded now
    ],
)
def test_a_record_of_which_only_the_directory_is_left_is_named(
    name: str, left: tuple[str, ...] | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Or a link to where it lies, on a disk that is not there (None)."""
    records = tmp_path / "records"
    records.mkdir()
    hand_record(records, "Q01")
    emptied = records / "Q02-20261103T120000Z-0000.run"
    if left is None:
        emptied.symlink_to(tmp_path / "no-disk" / emptied.name)
        emptied.with_name("Q03-20261103T120000Z-0000.run").symlink_to("Q03-20261103T120000Z-0000.run")
    else:
        emptied.mkdir()
    for file in left or ():
        (emptied / file).write_text("")
    command, *more = (word.replace("OUT", str(tmp_path / "out")) for word in ON_A_DIRECTORY[name])
    where = (*more, str(records)) if name in ("overview", "assign") else (str(records), *more)
    status = status_of(command, *where)
    assert emptied.name in "".join(capsys.readouterr())
    assert status == (2 if name in ("replay", "review") else 1)


def test_a_further_place_of_a_record_elsewhere_is_none_that_was_emptied(tmp_path: Path) -> None:
    records, second = tmp_path / "records", tmp_path / "second"
    records.mkdir()
    opening = Opening("Q01", None, "s", "", "", (), {})
    writer = RecordWriter.create(records / "Q01.run", opening, Writing(second=second))
    assert (second / "Q01.run").is_dir()
    assert list_records(second) == []
    assert list_records(records) == [records / "Q01.run"]
    writer.close("")


def test_an_emptied_record_of_somebody_else_does_not_spend_a_surprise(tmp_path: Path) -> None:
    (tmp_path / "Q02-20261103T120000Z-0000.run").mkdir()
    assert earlier_of(tmp_path, "Q01").known
    assert not earlier_of(tmp_path, "Q02").known
    (tmp_path / "Q03-20261104T120000Z-0000.run").symlink_to(tmp_path / "no-disk")
    assert earlier_of(tmp_path, "Q01").known
    assert not earlier_of(tmp_path, "Q03").known
    (tmp_path / "renamed.run").mkdir()
    assert not earlier_of(tmp_path, "Q01").known


@pytest.mark.parametrize("content", [b"", b"a,b\n1,2\n", b"\xf4TWRUN\r\n"])
def test_a_file_is_no_record_and_was_not_withdrawn(
    tmp_path: Path, content: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "part-0001.twr"
    file.write_bytes(content)
    assert status_of("verify", str(file)) == 2
    said = capsys.readouterr().err
    assert "holds no run record" in said
    assert "withdrawn" not in said


def test_any_error_of_the_system_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*arguments: object) -> None:
        raise OSError(errno.EIO, "Input/output error", str(tmp_path))

    monkeypatch.setattr("monitor.record.verify.verify_record", broken)
    assert status_of("verify", str(tmp_path)) == 2
    assert capsys.readouterr().err == f"{tmp_path}: Input/output error; nothing more was done.\n"


BLOCKS = REPORT_STUDY.replace("[groups.chime]", '[assignment]\nmethod = "blocks"\nblock_sizes = [2]\n[groups.chime]')


def as_pipe(file: Path) -> None:
    os.mkfifo(file)


def as_device(file: Path) -> None:
    file.symlink_to("/dev/zero")


def as_deep(file: Path) -> None:
    file.write_bytes(b"[" * 200_000)


def as_other_types(file: Path) -> None:
    file.write_text(
        '{"look": [], "opened": 5, "used": {"number": 1e999}, "lots": {"site": "site"}, "frozen": [1], "before": 3}\n'
        '{"opened": {"stratum": [], "number": 1e999}}\n{"used": null}\n'
    )


@pytest.mark.parametrize("name", ["unblinding.jsonl", "lots-site.json", "lots-site.jsonl", "rehearsals/r.json"])
@pytest.mark.parametrize("spoilt", [as_pipe, as_device, as_deep, as_other_types])
def test_no_file_beside_the_records_keeps_a_command_waiting_or_ends_it_without_a_sentence(
    name: str, spoilt: Callable[[Path], None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, records = tmp_path / "study.toml", tmp_path / "records"
    study.write_text(BLOCKS)
    (records / "rehearsals").mkdir(parents=True)
    record = hand_record(records, "Q01", text=BLOCKS)
    prepare(records, study_of(BLOCKS), "site", "anna")
    (records / name).unlink(missing_ok=True)
    spoilt(records / name)
    to_study = ("--study", str(study), "--records", str(records))
    signal.alarm(60)  # what waits for ever ends the test
    for arguments in (
        ("tally", str(records)),
        ("assign", *to_study, "--participant", "Q02"),
        ("assign", *to_study, "--verify"),
        ("forecast", str(records)),
        ("compare", str(records), "--unblind", "--by", "x"),
        ("check", "--study", str(study), "--freeze", "--records", str(records), "--by", "x"),
        ("rule", str(record), "--trial", "1/gate-brake/1", "--verdict", "valid", "--by", "x"),
    ):
        assert status_of(*arguments) in (0, 1, 2), arguments
    signal.alarm(0)
    assert newest_rehearsal(records, "hand").page is None
    capsys.readouterr()
    if name == "unblinding.jsonl":
        assert status_of("tally", str(records)) == 1
        assert "unblinding.jsonl" in "".join("".join(capsys.readouterr()).split())  # wherever the line is broken

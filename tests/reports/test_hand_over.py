"""The hand-over list: digests that a general checking program confirms, nobody else's files, and what is missing."""

from __future__ import annotations

import hashlib
import json
import subprocess
from pathlib import Path
from typing import Any

from monitor.reports.closeout.closeout import close_out, left_to_do
from monitor.reports.closeout.hand_over import files_of, hand_over, missing_files
from monitor.reports.closeout.text import markdown
from monitor.reports.export.drives import read_whole
from tests.commands.running import call
from tests.reports.making import REPORT_STUDY, hand_record

DAY = (
    REPORT_STUDY
    + """
[safety]
questionnaire = ["after"]
[[debrief]]
name = "expected"
ask = "Had you expected it?"
answers = ["no", "yes"]
[[debrief]]
name = "own words"
ask = "What happened?"
[[companion]]
name = "room video"
mark = "video-sync"
files = "video/{participant}*"
[[companion]]
name = "capture"
files = "capture/{record}/*"
[[companion]]
name = "paper"
"""
)
MARK = {"type": "mark", "code": "video-sync", "text": "video mark", "drive": 1, "at": 3.0}
PAPER = {"type": "step", "step": "paper", "done": True}


def record_with(records: Path, *operator: dict[str, Any], code: str = "Q01", text: str = DAY) -> Path:
    return hand_record(records, code, text=text, operator=operator)


def write(path: Path, text: str = "pictures") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def test_what_is_missing_is_listed_and_what_is_there_has_its_digest(tmp_path: Path) -> None:
    record = record_with(tmp_path, MARK)
    video = write(tmp_path / "video" / "Q01_room.mp4")
    lines = hand_over(read_whole(record, frames=False), "anna", 1_793_000_000.0)
    assert f"{hashlib.sha256(b'pictures').hexdigest()}  video/Q01_room.mp4" in lines
    missing = [line for line in lines if line.startswith("# MISSING")]
    assert missing == ["# MISSING capture: no file capture/{record}/*", "# MISSING paper: not ticked on the run sheet"]
    video.unlink()
    assert "# MISSING room video: no file video/{participant}*" in hand_over(
        read_whole(record, frames=False), "anna", 0.0
    )


def test_a_general_program_confirms_it_and_finds_a_changed_file(tmp_path: Path) -> None:
    record = record_with(tmp_path, MARK, PAPER)
    write(tmp_path / "video" / "Q01.mp4")
    write(tmp_path / "capture" / record.stem / "screen one.mkv")
    done = call("closeout", str(record), "--hand-over", str(tmp_path / "list.txt"), "--by", "anna")
    assert (done.returncode, done.stdout) == (0, f"{tmp_path / 'list.txt'}: written\n")
    check = ["sha256sum", "--check", "--strict", "list.txt"]
    assert subprocess.run(check, cwd=tmp_path, capture_output=True, check=False).returncode == 0
    write(tmp_path / "video" / "Q01.mp4", "other pictures")
    changed = subprocess.run(check, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert changed.returncode == 1
    assert "video/Q01.mp4: FAILED" in changed.stdout


def test_nobody_elses_files_are_handed_over(tmp_path: Path) -> None:
    """Q1 begins like Q10; a link may lead anywhere."""
    record = record_with(tmp_path, code="Q1")
    for name in ("Q1.mp4", "Q1-b.mp4", "Q10.mp4", "Q12/cam.mp4", "Q1/cam.mp4"):
        write(tmp_path / "video" / name)
    (tmp_path / "video" / "Q1-link.mp4").symlink_to(tmp_path / "video" / "Q10.mp4")
    session = read_whole(record, frames=False).session
    (video, *_) = session.study.day.companions
    found = [path.relative_to(tmp_path / "video").as_posix() for path in files_of(video, session, record)]
    assert sorted(found) == ["Q1-b.mp4", "Q1.mp4", "Q1/cam.mp4"]


def test_a_code_with_letters_that_a_pattern_would_obey_is_taken_as_it_is(tmp_path: Path) -> None:
    text = DAY.replace('participant_pattern = "Q[0-9]+"', 'participant_pattern = ".+"')
    record = record_with(tmp_path, code="Q.1", text=text)
    write(tmp_path / "video" / "Qx1.mp4")
    whole = read_whole(record, frames=False)
    assert "room video: no file video/{participant}* beside the records." in missing_files(whole.session, record)


def test_the_report_of_a_run_has_the_day_and_what_was_not_asked(tmp_path: Path) -> None:
    page = {
        "name": "20261102T080000Z-go", "at": 1_793_000_000.0, "go": True, "by": "ben", "study_sha256": "ab" * 32,
        "perceived": [{"name": "sound, amplifier at 6", "answer": "no", "by": "ben", "at": 1_793_000_000.0}],
    }  # fmt: skip
    record = record_with(
        tmp_path,
        {"type": "rehearsed", "rehearsal": page},
        {"type": "debrief", "item": "expected", "answer": "yes", "drive": 1, "at": 25.0},
        {"type": "adverse", "text": "headache", "drive": 1, "at": 26.0},
    )
    whole = read_whole(record, frames=False)
    text = markdown(close_out(whole))
    for words in ("sound, amplifier at 6 was NOT perceived, says ben", "Had you expected it?", "A1", "headache"):
        assert words in text
    said = left_to_do(whole)
    assert "Not answered in the debrief of drive 1: own words." in said
    assert "Symptoms after the drive were not asked." in said
    assert "room video: no mark video-sync." in said


def test_a_blind_record_hides_the_participants_own_words_until_the_ruling(tmp_path: Path) -> None:
    blind = DAY.replace('name = "hand"', 'name = "hand"\nblind = true')
    words = {"type": "debrief", "item": "own words", "words": "I braked at once", "drive": 1, "at": 25.0}
    ruling = {"type": "ruling", "trial": "1/gate-brake/1", "verdict": "valid", "reason": "confirmed", "words": ""}
    assert "I braked" not in markdown(close_out(read_whole(record_with(tmp_path, words, text=blind), frames=False)))
    ruled = record_with(tmp_path, words, ruling, code="Q02", text=blind)
    assert "I braked" in markdown(close_out(read_whole(ruled, frames=False)))
    out = tmp_path / "out"
    assert call("export", str(tmp_path), "--to", "csv", "--out", str(out)).returncode == 0
    rows = (out / "day.csv").read_text()
    assert rows.count("debrief") == 2
    assert rows.count("I braked") == 1, "that of the record that was ruled on"


def test_a_study_without_any_of_it_has_nothing_of_it_in_its_report_and_export(tmp_path: Path) -> None:
    record = hand_record(tmp_path, "Q01")
    text = markdown(close_out(read_whole(record, frames=False)))
    assert not any(
        words in text for words in ("Rehearsal before", "Debrief", "Beside the record", "How the participant")
    )
    out = tmp_path / "out"
    assert call("export", str(tmp_path), "--to", "csv", "--out", str(out)).returncode == 0
    assert not (out / "day.csv").exists()
    assert json.loads(call("closeout", str(record), "--json").stdout)["hand_over"] is None

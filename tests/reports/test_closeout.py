"""The close-out of one run: what came of it, what is left to do; nothing hidden shown, nothing taken for markup."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.record.addendum import append_addendum
from monitor.record.sealing import seal_record
from monitor.reports.closeout.closeout import close_out, left_to_do
from monitor.reports.closeout.text import markdown, terminal_lines
from monitor.reports.export.drives import read_whole
from tests.commands.running import call
from tests.reports.making import BLIND, REPORT_STUDY, hand_drive, hand_record
from tests.reports.test_tally import TRIAL, damage, ruling

SHEET = REPORT_STUDY + '\n[[sheet]]\nname = "Welcome"\n[[sheet]]\nname = "Intercom off"\n'


def report(path: Path) -> str:
    return " ".join(" ".join(terminal_lines(close_out(read_whole(path, frames=False)))).split())


def left(path: Path) -> list[str]:
    return left_to_do(read_whole(path, frames=False))


def test_verdict_conditions_ruling_and_response(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q07", operator=[{**ruling(TRIAL, "invalid", "expected-it"), "words": "said so"}])
    text = report(path)
    assert text.startswith("Run of Q07: gate-brake invalid")
    assert "1/gate-brake/1: INVALID" in text
    assert "Ruled invalid by anna, 1970-01-01 00:00 UTC (expected-it): said so; computed valid;" in text
    assert "what was seen before it: not recorded." in text
    assert "time gap met 1.5 s 1.3 to 1.9 +0.2 s" in text
    assert "van braking met -5 m/s² at most -4 +1 m/s²" in text
    assert "Response: responded; accelerator 0.75 s, brake 0.80 s from fire" in text
    assert "Alert as assigned: sound at 10.30 s, measured." in text
    assert "16.0 s at 20 Hz, 321 frames, 0 lost" in text


def test_what_checks_a_condition_stands_beside_it_and_what_nothing_checks_says_so(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q07")
    (trial,) = read_whole(path).session.trials()
    told = {one.name: one.evidence for one in trial.conditions}
    text = report(path)
    for name, evidence in told.items():
        assert evidence is not None, name
        if evidence.by:
            assert evidence.by[0] in text
    assert any(evidence is not None and evidence.by for evidence in told.values())


def test_what_is_left_to_do_until_nothing_is(tmp_path: Path) -> None:
    gap = hand_drive(lost_frames=frozenset(range(196, 204)))
    done = {"type": "step", "step": "Welcome", "done": True, "drive": 1, "at": 1.0}
    path = hand_record(tmp_path, "Q07", text=SHEET, drive=gap, operator=[done])
    said = " ".join(left(path))
    assert "Rule on 1/gate-brake/1, which is undecided" in said
    assert "Seal the record" in said
    assert "1 of 2 steps on the run sheet are not ticked" in said
    append_addendum(path, ruling(TRIAL, "valid", "judged-harmless"))
    seal_record(path)
    said = " ".join(left(path))
    assert "Rule on" not in said
    assert "Seal" not in said
    assert read_whole(path).digest in said


def test_a_record_cut_or_damaged_is_said_first(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q07", closed=False)
    assert left(path)[0] == f"The record was never closed: trialwitness recover {path}"
    bad = hand_record(tmp_path, "Q08")
    damage(bad, 0.8, 3000)
    assert left(bad)[0].startswith("Damage: ")
    assert call("closeout", str(bad)).returncode == 1


def test_a_blind_studys_response_is_hidden_until_the_ruling(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q07", text=BLIND)
    assert "The response is hidden until the trial is ruled on" in report(path)
    assert "brake 0.80" not in report(path)
    assert "Rule on 1/gate-brake/1, valid: the record is blind" in report(path)
    append_addendum(path, ruling(TRIAL, "valid", "confirmed"))
    assert "brake 0.80 s from fire" in report(path)


def test_at_most_eighty_columns_whatever_was_written(tmp_path: Path) -> None:
    note = {"type": "note", "text": "x" * 200 + " " + "word " * 60, "drive": 1, "at": 4.0}
    path = hand_record(tmp_path, "Q07", operator=[note])
    lines = terminal_lines(close_out(read_whole(path, frames=False)))
    assert [line for line in lines if len(line) > 80] == []
    assert "".join(lines).count("word") == 60


@pytest.mark.parametrize("text", ["a | b", "*bold* _it_", "<script>", "[x](http://a)", "`code`\n# heading", "a\\|b"])
def test_nothing_the_operator_wrote_is_markup(tmp_path: Path, text: str) -> None:
    path = hand_record(tmp_path, "Q07", operator=[{"type": "note", "text": text, "drive": 1, "at": 4.0}])
    document = markdown(close_out(read_whole(path, frames=False)))
    row = next(line for line in document.splitlines() if "4.0 s" in line)
    cells = [cell.strip() for cell in row.replace("\\|", "\0").split("|")]
    assert len(cells) == 6  # four columns and the two edges
    # without the escapes it is what was written
    assert re.sub(r"\\(.)", r"\1", cells[4].replace("\0", "\\|")) == " ".join(text.split())
    assert not any(line.startswith("# heading") for line in document.splitlines())


def test_the_command_writes_markdown_once_and_json(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q07", drive=replace(hand_drive(), end_t=20.0))
    out = tmp_path / "close-out.md"
    done = call("closeout", str(path), "--out", str(out), "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["trials"][0]["verdict"] == "valid"
    assert document["digest"] == read_whole(path).digest
    assert out.read_text().startswith("# Run of Q07: gate-brake valid\n")
    again = call("closeout", str(path), "--out", str(out))
    assert (again.returncode, "is there already" in again.stderr) == (2, True)


def test_a_hand_over_says_which_of_its_notes_was_taken_back_since(tmp_path: Path) -> None:
    moment = {"drive": 1, "at": 61.0, "wall": 1_790_000_000.0}
    handed = ["1:01 anna: asks for water", "1:01 anna: seat belt was off"]
    entered = [
        {"type": "note", "text": "seat belt was off", "key": "n1", "by": "anna", **moment},
        {"type": "note", "text": "asks for water", "key": "n2", "by": "anna", **moment},
        {"type": "handover", "to": "ben", "notes": handed, **moment},
        {"type": "retract", "what": "n1", "words": "it was on", "by": "ben", **moment},
    ]
    record = hand_record(tmp_path, operator=entered)
    done = call("closeout", str(record))
    section = done.stdout.partition("Handed over")[2].partition("\n\n")[0]
    text = " ".join(section.split())
    assert "61.0 s 1 ben 1:01 anna: asks for water 1:01 anna: taken back by ben (it was on): seat belt was off" in text
    page = tmp_path / "run.html"
    assert call("report", str(record), "--out", str(page)).returncode == 0
    assert "1:01 anna: taken back by ben (it was on): seat belt was off" in page.read_text(encoding="utf-8")


def test_what_was_entered_after_a_drive_does_not_tell_how_long_a_hidden_one_took(tmp_path: Path) -> None:
    given = []
    for name, end_t in (("short", 31.35), ("long", 33.7)):
        records = tmp_path / name
        records.mkdir()
        moment = {"drive": 1, "at": end_t}
        entered = [
            {"type": "note", "text": "asks for water", "drive": 1, "at": 12.0},
            {"type": "note", "text": "done", **moment},
            {"type": "comfort", "rating": 3, **moment},
            {
                "type": "handover",
                "to": "ben",
                "notes": [f"0:{end_t:.0f} ann: done", "0:12 ann: asks for water"],
                **moment,
            },
        ]
        record = hand_record(records, text=BLIND, drive=hand_drive(end_t=end_t), operator=entered)
        said = call("closeout", str(record)).stdout
        assert "12.0 s" in said
        notes = json.loads(call("closeout", "--json", str(record)).stdout)["notes"]
        assert [note["at"] for note in notes] == [12.0, None, None, None]
        assert call("report", str(record), "--out", str(tmp_path / f"{name}.html")).returncode == 0
        assert call("export", str(records), "--to", "csv", "--out", str(tmp_path / f"{name}-csv")).returncode == 0
        tables = {one.name: one.read_text() for one in (tmp_path / f"{name}-csv").glob("*.csv")}
        given.append(
            {"closeout": said.partition("\nFeed")[2], "page": (tmp_path / f"{name}.html").read_text(), **tables}
        )
    short, long = ({key: re.sub(r"\b[0-9a-f]{16,64}\b", "", text) for key, text in one.items()} for one in given)
    assert short == long

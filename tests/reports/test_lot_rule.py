"""When a lot may be opened: after consent, screening and practice; who is not taken before that, and where all of them
stand in the flow of participants."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.gathering import gather
from monitor.commands.study.assign import run as assign
from monitor.errors import WitnessError
from monitor.record.withdrawing import withdraw_record
from monitor.reports.assigning.asked import ASKED_NAME, before_lot, take_back
from monitor.reports.assigning.sealed import prepare, sealed_lots
from monitor.reports.forecast.standing import invited_of
from monitor.reports.page.flow import branches_of, flow
from monitor.reports.tally.tally import tally_json
from monitor.reports.tally.text import tally_lines
from tests.judging.hand import HandDrive, study_of
from tests.reports.making import REPORT_STUDY, hand_record
from tests.reports.test_assigning import options

WAITS = (
    REPORT_STUDY.replace(
        "[groups.chime]",
        """[scenarios]
practice = "nothing fires"
[assignment]
method = "blocks"
block_sizes = [2, 4]
after = ["Consent signed", "Practice passed"]
[assignment.excluded]
no-licence = "No licence to drive"
knows = "Has heard of the drive"
[groups.chime]""",
    ).replace("[[trigger.fires_when]]", "[trigger.expected_by_scenario]\npractice = 0\n[[trigger.fires_when]]", 1)
    + """
[[sheet]]
name = "Consent signed"
[[sheet]]
name = "Practice passed"
[[sheet]]
name = "Thanks"
"""
)
BOTH = ("Consent signed", "Practice passed")
PRACTICE = HandDrive(fire_t=None, markers=[], group=None, scenario="practice", rate_hz=20.0)


@pytest.fixture
def records(tmp_path: Path) -> Path:
    (tmp_path / "records").mkdir()
    prepare(tmp_path / "records", study_of(WAITS), "north", "anna")
    return tmp_path / "records"


def screened(records: Path, code: str, *ticked: str, **more: Any) -> Path:
    """A run before the lot, in which some steps were ticked."""
    steps = [{"type": "step", "step": name, "done": True} for name in ticked]
    return hand_record(records, code, None, text=WAITS, drive=PRACTICE, operator=steps, **more)


def ask(tmp_path: Path, capsys: Any, **more: Any) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    status = assign(options(tmp_path, WAITS, **more))
    return status, json.loads(capsys.readouterr().out)


def opened(records: Path) -> list[tuple[str, int]]:
    lots = sealed_lots(records, study_of(WAITS), "north")
    assert lots is not None
    return lots.opened()


@pytest.mark.parametrize(
    ("ticked", "left"),
    [
        ((), "Consent signed, Practice passed"),
        (("Consent signed",), "Practice passed"),
        (("Thanks",), "Consent signed, Practice passed"),
    ],
)
def test_no_lot_is_opened_before_its_steps_are_ticked(
    tmp_path: Path, records: Path, capsys: Any, ticked: tuple[str, ...], left: str
) -> None:
    screened(records, "Q01", *ticked)
    _, said = ask(tmp_path, capsys)
    assert said["group"] is None
    assert f"{left} not ticked on the run sheet" in said["why"]
    assert opened(records) == []


def test_ticks_of_several_runs_open_it_and_those_of_somebody_else_do_not(
    tmp_path: Path, records: Path, capsys: Any
) -> None:
    screened(records, "Q02", *BOTH)
    screened(records, "Q01", "Consent signed")
    assert ask(tmp_path, capsys)[1]["group"] is None
    screened(records, "Q01", "Practice passed", day=1)
    _, said = ask(tmp_path, capsys)
    assert said["group"] in ("chime", "no-alert")
    assert opened(records) == [("", 1)]


def test_a_tick_that_was_taken_back_opens_nothing(tmp_path: Path, records: Path, capsys: Any) -> None:
    back = [{"type": "step", "step": name, "done": True} for name in BOTH] + [
        {"type": "step", "step": "Consent signed", "done": False}
    ]
    hand_record(records, "Q01", None, text=WAITS, drive=PRACTICE, operator=back)
    assert ask(tmp_path, capsys)[1]["group"] is None


def test_who_is_not_taken_gets_no_lot_until_that_is_taken_back(tmp_path: Path, records: Path, capsys: Any) -> None:
    screened(records, "Q01", *BOTH)
    assert ask(tmp_path, capsys, excluded="knows")[1] == {"number": 1, "no_shows": 0, "excluded": {"knows": 1}}
    assert "Q01" not in (records / ASKED_NAME).read_text(), "no code outside the record"
    with pytest.raises(WitnessError, match=r"Q01 was not taken \(Has heard of the drive\)"):
        ask(tmp_path, capsys)
    with pytest.raises(WitnessError, match="already"):
        ask(tmp_path, capsys, excluded="no-licence")
    ask(tmp_path, capsys, take_back=1, words="meant Q02")
    with pytest.raises(WitnessError, match="taken back already"):
        take_back(records, 1, "anna", "again")
    assert ask(tmp_path, capsys)[1]["lot"] == 1


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"excluded": "too-tall"}, r"no reason 'too-tall' .* it has no-licence, knows"),
        ({"excluded": "knows", "participant": "Q09"}, "Q09 has no record here"),
        ({"take_back": 1}, "needs --words"),
        ({"take_back": 7, "words": "x"}, "no no-show or exclusion number 7"),
    ],
)
def test_what_cannot_be_entered_is_refused(tmp_path: Path, records: Path, capsys: Any, more: Any, said: str) -> None:
    with pytest.raises(WitnessError, match=said):
        ask(tmp_path, capsys, **more)
    assert not (records / ASKED_NAME).exists()


def test_who_has_a_lot_is_never_excluded_afterwards(tmp_path: Path, records: Path, capsys: Any) -> None:
    hand_record(
        records, "Q01", "chime", text=WAITS, lot={"site": "north", "stratum": "", "number": 1, "group": "chime"}
    )
    with pytest.raises(WitnessError, match="Q01 has a group already: who is lost after that stays in it"):
        ask(tmp_path, capsys, excluded="knows")


def test_everybody_who_was_asked_stands_once_in_the_flow_of_participants(
    tmp_path: Path, records: Path, capsys: Any
) -> None:
    """Nine were invited: two did not come, one was told by telephone that it needs a licence, one was not taken after
    the screening, one withdrew before a lot, one waits, three had a lot, of whom one withdrew."""
    ask(tmp_path, capsys, no_show=True)
    ask(tmp_path, capsys, no_show=True)
    ask(tmp_path, capsys, excluded="no-licence", participant=None)
    screened(records, "Q03", "Consent signed")
    ask(tmp_path, capsys, excluded="knows", participant="Q03")
    withdraw_record(screened(records, "Q04", "Consent signed"), "anna", "all")
    screened(records, "Q05", "Consent signed")
    for code, group in (("Q06", "chime"), ("Q07", "no-alert"), ("Q08", "chime")):
        before = screened(records, code, *BOTH)
        main = hand_record(records, code, group, text=WAITS)
        if code == "Q08":
            withdraw_record(before, "anna", "all")
            withdraw_record(main, "anna", "all")
    found = gather(records)
    (one,) = found.studies
    before_it = before_lot(records, one, found.withdrawn)
    assert before_it is not None
    assert before_it.as_json() == {
        "no_shows": 2,
        "excluded": {"No licence to drive": 1, "Has heard of the drive": 1},
        "waiting": 1,
        "withdrew": 1,
        "fault": None,
    }
    invited = invited_of(one, "gate-brake", found.withdrawn)
    assert sorted((each.group, each.came) for each in invited) == [
        ("chime", "lost"), ("chime", "valid"), ("no-alert", "valid"),
    ]  # fmt: skip
    assert before_it.all + len(invited) == 9
    picture = flow(branches_of(["chime", "no-alert"], invited), before_it)
    for words in ("invited: 9", "2 did not come", "1 not taken: No licence to drive", "3 given a lot"):
        assert words in picture
    text = "\n".join(tally_lines(found))
    assert "before a lot was opened: 2 did not come, 1 not taken (No licence to drive)" in text
    assert "a practice drive?" not in text
    assert tally_json(found)["studies"][0]["before_lot"]["no_shows"] == 2


def test_a_line_that_was_changed_is_told(tmp_path: Path, records: Path, capsys: Any) -> None:
    for _ in range(2):
        ask(tmp_path, capsys, no_show=True)
    hand_record(records, "Q06", "chime", text=WAITS)
    path = records / ASKED_NAME
    path.write_text(path.read_text().replace("anna", "ben", 1))
    assert "line 2 does not follow the line before it" in "\n".join(tally_lines(gather(records)))


def test_a_study_that_asks_for_none_of_it_says_nothing_of_it(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    found = gather(tmp_path)
    assert "before_lot" not in tally_json(found)["studies"][0]
    assert "before a lot" not in "\n".join(tally_lines(found))
    assert "asked before: not known here" in flow(
        branches_of(["chime"], invited_of(found.studies[0], "gate-brake", []))
    )

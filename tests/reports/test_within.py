"""Studies within participants: counted by order and treatment, by trials or participants, never compared as groups."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from monitor.archive.gathering import gather
from monitor.reports.tally.tally import tally_json, tally_studies
from monitor.reports.tally.text import tally_lines
from tests.commands.running import call
from tests.judging.test_repeated import EVENTS, WITHIN, given, often
from tests.reports.making import hand_record

PEOPLE = WITHIN.replace("[study]", '[study]\nplanned_counts = "participants"').replace(
    "refractory_s", "valid_at_least = 4\nrefractory_s"
)
PEOPLE = PEOPLE.replace('order = ["chime", "silent"]', 'order = ["chime", "silent"]\nplanned = 2')
TRIALS = WITHIN.replace("[treatments.silent]", "planned = 20\n[treatments.silent]")


def drive_of(directory: Path, participant: str, text: str, *alerts: float, fired: tuple[float, ...] = EVENTS) -> Path:
    driven = often(fired, group="AB")
    driven.markers += given(**{str(t): t + 0.3 for t in alerts or (4.0, 12.0, 20.0)})
    return hand_record(directory, participant, "AB", text=text, drive=driven)


def trigger_of(directory: Path) -> dict[str, Any]:
    (study,) = json.loads(json.dumps(tally_json(gather(directory)), allow_nan=False))["studies"]
    trigger: dict[str, Any]
    (trigger,) = study["triggers"]
    return trigger


def by_name(groups: list[dict[str, Any]], *keys: str) -> dict[str, list[Any]]:
    return {one["group"]: [one[key] for key in keys] for one in groups}


def test_participants_count_who_have_enough_valid_trials(tmp_path: Path) -> None:
    drive_of(tmp_path, "Q01", PEOPLE)
    drive_of(tmp_path, "Q02", PEOPLE, fired=EVENTS[1:])  # one missed: four are left
    drive_of(tmp_path, "Q03", PEOPLE, 4.0, 8.0, 20.0)  # two with the wrong alert: three are left
    trigger = trigger_of(tmp_path)
    wanted = {"AB": [15, 12, 2, 0, 3], "BA": [0, 0, 0, None, 0]}
    assert by_name(trigger["groups"], "run", "valid", "counting", "still_needed", "participants") == wanted
    # by treatment: the missed one was to have the chime, and the two with the wrong alert are one of each
    assert by_name(trigger["treatments"], "run", "valid") == {"chime": [9, 7], "silent": [6, 5]}
    assert trigger["valid_at_least"] == 4
    assert trigger["unequal_loss"]["p"] is None  # trials of one participant go together
    words = " ".join(" ".join(tally_lines(gather(tmp_path))).split())
    assert "planned are participants with at least 4 valid trials: AB 2, BA 0" in words
    assert "by treatment, over all orders" in words


def test_trials_count_against_what_a_treatment_plans(tmp_path: Path) -> None:
    drive_of(tmp_path, "Q01", TRIALS)
    drive_of(tmp_path, "Q02", TRIALS, 4.0, 8.0, 20.0)
    trigger = trigger_of(tmp_path)
    wanted = {"chime": [20, 5, 15], "silent": [None, 3, None]}
    assert by_name(trigger["treatments"], "planned", "counting", "still_needed") == wanted
    assert "valid_at_least" not in trigger
    (study,) = tally_studies(gather(tmp_path))
    assert [group.participants for group in study.triggers[0].groups] == [2, 0]


def test_treatments_within_participants_are_not_compared_as_groups(tmp_path: Path) -> None:
    drive_of(tmp_path, "Q01", WITHIN)
    done = call("compare", str(tmp_path), "--unblind", "--by", "ana")
    assert done.returncode == 0, done.stderr
    assert "holds no run that can be compared" in done.stdout
    assert "often is not compared: it gives its treatments within participants" in " ".join(done.stderr.split())
    assert not list(tmp_path.glob("unblinding*"))  # nothing was shown, and so no look is entered

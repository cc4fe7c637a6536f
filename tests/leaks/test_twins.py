"""Two records of one blind drive, by who brakes early and by who never does: no command tells them apart."""

from __future__ import annotations

import gzip
import json
import math
import shutil
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from monitor.commands.main import main
from monitor.replay.coding import CodingDesk
from monitor.screens.replay.coding import CodingApp
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.scenarios import SCENARIOS, Scenario
from monitor.study.demo import demo_study
from monitor.study.loading import parse_study
from tests.judging.hand import study_of
from tests.leaks.artefacts import Features, of_text
from tests.leaks.participants import drivers, record_of
from tests.reports.making import BLIND, hand_drive, make_record, simulated_messages

BEFORE_THE_BRIDGE_S = 50.0
SIZES = ((80, 24), (120, 36), (200, 60))
FORMS = ("csv", "bids", "parquet", "cues")
OF_A_RECORD = (
    ("review",),
    ("review", "--json"),
    ("closeout",),
    ("replay", "--sweep", "gate-brake/time gap", "--json"),
    ("prove", "--short", "--json"),
)
OF_A_STUDY = (("tally",), ("tally", "--json"), ("forecast",), ("forecast", "--json"), ("agreement",), ("safety",))

Make = Callable[[Path, bool], Path]


def by_hand(directory: Path, brakes: bool) -> Path:
    """Of the leak meter's own drive: who never brakes runs into the van."""
    driver = next(one for one in drivers(8, seed=5) if one.is_late)
    return record_of(directory, replace(driver, response_s=0.7 if brakes else None, contact=not brakes))


def of_the_demo(directory: Path, brakes: bool) -> Path:
    """The demo's drive, in which the van drives on, up to the next trigger: how the car is driven there may be seen."""
    scenario = Scenario("clean", "", response_s=0.6 if brakes else math.inf, van_release_mps=17.0)
    study = parse_study(demo_study().text.replace("\nblind = false", "\nblind = true"), "blind")
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(SCENARIOS, "clean", scenario)
        plan = SimulationPlan(seed=1, rate_hz=20.0, group="chime", participant="Q01")
        return make_record(directory, "Q01", simulated_messages(plan, BEFORE_THE_BRIDGE_S), study, "chime")


def braking_van(t: float) -> float:
    return 5.0 if 10.0 < t < 13.0 else 0.0


def untold(directory: Path, brakes: bool) -> Path:
    """No marker told of the fire, whose hazard came; who brakes is there earlier."""
    response_s, end_t = (0.8, 25.0) if brakes else (None, 31.0)
    drive = hand_drive(response_s=response_s, end_t=end_t, fire_t=None, markers=[], van_decel=braking_van)
    return make_record(directory, "Q01", drive.messages(), study_of(BLIND), "chime")


def printed(*arguments: str) -> str:
    """What a command prints, and its status."""
    out = StringIO()
    with redirect_stdout(out), redirect_stderr(out), pytest.raises(SystemExit) as left:
        main(arguments)
    return f"{out.getvalue()}\nstatus {left.value.code}"


def told_of(record: Path, out: Path) -> Features:
    """Everything that is printed and written of a record and of the study that it is the only one of."""
    found: Features = {}
    for command, *options in OF_A_RECORD:
        found |= of_text(" ".join((command, *options)), printed(command, str(record), *options))
    for command, *options in OF_A_STUDY:
        found |= of_text(" ".join((command, *options)), printed(command, str(record.parent), *options))
    coders = CodingApp(CodingDesk(record, "cora"))
    for place, case in enumerate(coders.desk.cases):
        coders.at = place
        for size in SIZES:
            found |= of_text(f"coders' page, {case.trial}, {size}", coders.draw(*size).text())
    for name, path in (("run", record), ("study", record.parent)):
        page = out / f"{name}.html"
        found |= of_text(f"{name} page, said", printed("report", str(path), "--out", str(page)))
        found |= of_text(f"{name} page", page.read_text())
    for form in FORMS:
        found |= of_text(f"{form}, said", printed("export", str(record.parent), "--to", form, "--out", str(out / form)))
        files = sorted(path for path in (out / form).rglob("*") if path.is_file())
        found |= of_text(f"{form}, files", "\n".join(str(path.relative_to(out)) for path in files))
        for path in files:
            found |= of_text(f"{form}, {path.name}", text_of(path))
    return found


def text_of(path: Path) -> str:
    """What a file says: of a table of columns its rows and what its schema says, since its bytes are packed."""
    if path.suffix == ".gz":
        return gzip.decompress(path.read_bytes()).decode()
    if path.suffix != ".parquet":
        return path.read_text(encoding="utf-8")
    table = pq.read_table(path)
    return f"{table.schema.to_string(truncate_metadata=False)}\n{json.dumps(table.to_pylist(), default=str)}"


@pytest.mark.slow
@pytest.mark.parametrize("make", [by_hand, of_the_demo, untold])
def test_no_command_tells_who_braked_from_who_did_not(make: Make, tmp_path: Path) -> None:
    found = []
    directory, out = tmp_path / "records", tmp_path / "out"
    for brakes in (True, False):  # at the same place, because some of what is printed names it
        directory.mkdir()
        out.mkdir()
        found.append(told_of(make(directory, brakes), out))
        shutil.rmtree(directory)
        shutil.rmtree(out)
    first, second = found
    assert first.keys() == second.keys()
    assert [name for name, value in first.items() if value != second[name]] == []

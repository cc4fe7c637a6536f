"""An archive on a real scheduler with real workers on the loopback: the same bytes, whoever dies meanwhile."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from monitor.archive.engine.addresses import records_at
from monitor.archive.engine.cluster import MOST_GONE, SUSPECT, _Asking
from monitor.archive.engine.run import Answer, How, answers
from monitor.archive.engine.unit import Task
from monitor.errors import WitnessError
from monitor.record.sealing import seal_record
from tests.archive import works
from tests.judging.hand import HandDrive
from tests.replay.conftest import write_record

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[2]
START_S = 60.0
COUNT = 12


class Cluster:
    """A scheduler and two workers of one thread, each a process of its own."""

    def __init__(self, folder: Path, *more: str) -> None:
        self._folder, self._more = folder, more
        self.told = folder / "scheduler.json"
        self._environment = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0",  # else a record must kill four workers to be known
        }
        self._scheduler = self._start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        self.address = str(self._wait_for_address())
        self.workers = [self.worker() for _ in range(2)]

    def worker(self) -> subprocess.Popen[bytes]:
        """One more worker."""
        return self._start(
            "worker", "--host", "127.0.0.1", "--nthreads", "1", "--no-dashboard", "--local-directory",
            str(self._folder), *self._more,
        )  # fmt: skip

    def stop(self) -> None:
        """Ends all of it."""
        for process in (*self.workers, self._scheduler):
            process.terminate()
        for process in (*self.workers, self._scheduler):
            try:
                process.wait(20.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(20.0)

    def _start(self, what: str, *arguments: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "dask", what, "--scheduler-file", str(self.told), *arguments]
        with (self._folder / "log.txt").open("ab") as log:
            return subprocess.Popen(command, cwd=ROOT, env=self._environment, stdout=log, stderr=log)

    def _wait_for_address(self) -> str:
        pause = threading.Event()
        for _ in range(int(START_S / 0.1)):
            if self.told.exists() and self.told.stat().st_size:
                return str(json.loads(self.told.read_text())["address"])
            assert self._scheduler.poll() is None, (self._folder / "log.txt").read_text()
            pause.wait(0.1)
        raise AssertionError(f"no scheduler within {START_S} s")


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    running = Cluster(tmp_path, "--no-nanny")
    try:
        yield running
    finally:
        running.stop()


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("archive")
    for place in range(COUNT):
        name, gap_m = f"Q{place:02}-20261003T1015{place:02}Z-0a1b.run", 24.0 + place
        plain = HandDrive()

        def van(t: float, shift: float = gap_m - 30.0, plain: HandDrive = plain) -> dict[str, float]:
            others = HandDrive._frame(plain, 0, t, 0)["others"]
            return {column: others[column][0] + shift for column in ("x", "station")}

        write_record(folder, HandDrive(rate_hz=20.0, van=van), name=name, participant=f"Q{place:02}")
    return folder


def told(found: list[Answer]) -> str:
    return json.dumps([[one.record.label, one.value, one.fault, one.status] for one in found])


def test_a_worker_killed_in_mid_way_changes_no_byte_and_loses_nothing(archive: Path, cluster: Cluster) -> None:
    records = records_at([str(archive)])
    alone = told(list(answers(records, Task(works.document))))
    found: list[Answer] = []
    for answer in answers(records, Task(works.document, options={"least_s": 0.3}), How(scheduler=cluster.address)):
        found.append(answer)
        if len(found) == 2:
            cluster.workers[0].kill()
    assert cluster.workers[0].wait(20.0) < 0
    assert told(found) == alone
    assert len(found) == COUNT


@pytest.mark.slow(seconds=25)
def test_a_record_that_kills_its_workers_is_at_fault_and_no_other(archive: Path, tmp_path: Path) -> None:
    records = records_at([str(archive)])
    running = Cluster(tmp_path)  # with a nanny, which starts a new worker
    try:
        task = Task(works.dying, options={"deadly": records[3].name})
        found = list(answers(records, task, How(scheduler=running.address)))
    finally:
        running.stop()
    assert [one.value for one in found] == [None if place == 3 else one.name for place, one in enumerate(records)]
    assert found[3].fault == f"{records[3].label}: its workers died while it was being judged"


@pytest.mark.slow(seconds=15)
def test_a_lost_scheduler_ends_it_and_what_was_kept_is_not_done_again(
    archive: Path, cluster: Cluster, tmp_path: Path
) -> None:
    records = records_at([str(archive)])
    count = tmp_path / "count"
    task = Task(works.counted, options={"count": str(count), "least_s": 0.0})
    how = How(scheduler=cluster.address, keep=tmp_path / "kept")
    asked = answers(records, task, how)
    first = next(asked)
    assert first.value == records[0].name
    cluster.stop()
    with pytest.raises(WitnessError, match="is lost"):
        list(asked)
    done = len(list((tmp_path / "kept").iterdir()))
    before = len(count.read_text().splitlines())
    whole = list(answers(records, task, How(keep=tmp_path / "kept")))
    assert [one.value for one in whole] == [one.name for one in records]
    assert len(count.read_text().splitlines()) - before == COUNT - done


def test_nobody_at_the_address_is_said(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.archive.engine.cluster.CONNECT_S", 1.0)
    with pytest.raises(WitnessError, match="cannot be reached"):
        list(answers(records_at([str(archive)]), Task(works.document), How(scheduler="tcp://127.0.0.1:1")))


def test_sealed_records_at_an_address_are_judged_as_those_on_the_disk(archive: Path, tmp_path: Path) -> None:
    sealed = tmp_path / "sealed"
    for path in sorted(archive.glob("*.run"))[:4]:
        seal_record(Path(shutil.copytree(path, sealed / path.name)))
    address = f"file://{sealed}"
    here = list(answers(records_at([str(sealed)]), Task(works.document)))
    there = list(answers(records_at([address]), Task(works.document), How(jobs=2)))
    assert [one.record.label for one in there] == [f"{address}/{one.record.name}" for one in here]
    assert [{**one.value, "record": ""} for one in there] == [{**one.value, "record": ""} for one in here]
    (alone,) = answers(records_at([f"{address}/{here[1].record.name}/record.sealed"]), Task(works.document))
    assert alone.value["trials"] == here[1].value["trials"]
    assert not list(Path("/tmp").glob("trialwitness-????????/*.run"))  # copied to be judged, and removed
    with pytest.raises(WitnessError, match="holds no sealed record"):
        records_at([f"file://{tmp_path}/nowhere"])


@pytest.mark.parametrize("status", ["lost", "pending"])
def test_an_answer_that_went_with_its_worker_is_asked_for_again_and_not_for_ever(status: str) -> None:
    asking = _Asking(None, "tcp://127.0.0.1:1")
    gone = SimpleNamespace(status=status)
    assert [asking._outcome_of(gone, 7) for _ in range(MOST_GONE)] == [None] * MOST_GONE
    assert asking._outcome_of(gone, 7) is SUSPECT
    asking._alone.add(7)
    outcome = asking._outcome_of(gone, 7)
    assert outcome is not None
    assert (outcome.kind, outcome.text) == ("fault", '"its workers died while it was being judged"')


def test_an_answer_that_was_cancelled_says_that_the_scheduler_is_lost() -> None:
    with pytest.raises(WitnessError, match="is lost"):
        _Asking(None, "tcp://127.0.0.1:1")._outcome_of(SimpleNamespace(status="cancelled"), 7)

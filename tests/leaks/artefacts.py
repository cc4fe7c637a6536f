"""Everything that a coder, or an operator who is blind, can read of a participant's run, as features: name → value.

Texts and JSON are taken to pieces without knowing what they mean: every number by its place, the words with their
numbers taken out, and how long it all is. Random ids and digests are left out: they are the same noise for everybody.
"""

from __future__ import annotations

import atexit
import csv
import io
import json
import math
import re
import shutil
import tempfile
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import redirect_stdout
from dataclasses import fields, is_dataclass
from functools import cache, cached_property, lru_cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from monitor.archive.gathering import gather
from monitor.archive.review import Reviewed, review_record
from monitor.archive.summary_cache import CACHE_NAME
from monitor.commands.shared.live_run import Stream
from monitor.commands.shared.printing import trial_lines
from monitor.errors import WitnessError
from monitor.following.building import Viewing, build_view
from monitor.following.coming.channels import ChannelWatch
from monitor.following.kept.keeping import Keeping
from monitor.following.overview.elsewhere import elsewhere
from monitor.following.overview.listening import Overseen
from monitor.following.overview.row import Heard, row_line, row_of
from monitor.following.status_stream import announced, full
from monitor.following.view import RecorderView
from monitor.judging.case.trial import Trial
from monitor.judging.document import session_json
from monitor.judging.entered.coding import cases
from monitor.judging.session import Session
from monitor.record.entries import Entry
from monitor.record.reader import RecordReading
from monitor.replay.beside.difference import Difference
from monitor.replay.beside.differences import differences
from monitor.replay.beside.document import beside_json, beside_lines
from monitor.replay.beside.runs import ALIGNMENTS, LaidRun, ReadRun, lay_runs
from monitor.replay.explain.document import explanation_json, explanation_lines
from monitor.replay.explain.explanation import explain_trial
from monitor.replay.provider import ReplayProvider
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.seeking.reading import MapMaking
from monitor.replay.series import series_about
from monitor.replay.table import write_table
from monitor.reports.closeout.closeout import close_out
from monitor.reports.closeout.text import markdown
from monitor.reports.export.drives import WholeRun, read_whole
from monitor.reports.export.export import ExportPlan, Form, export_records
from monitor.reports.notebook import open_run
from monitor.reports.page.run_page import run_page
from monitor.screens.dialogs.card import card_rows
from monitor.screens.overview.drawing import OverviewPicture, draw_overview
from monitor.study.model import Study
from tests.judging.hand import study_of
from tests.leaks.participants import HORIZON_S, RATE_HZ, TEXT, Driver, drive_of, drivers
from tests.reports.making import make_record

Features = dict[str, float | str]
TRIALS = ("1/gate-brake/1", "1/side-gust/1")
OPEN_TEXT = TEXT.replace("blind = true\n", "")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
_NOISE = re.compile(r"[0-9a-f]{8,}(?: …)?|/tmp/\S+|Q\d{3}-\S+|run-Q\d+|Q\d{3}")
LOOKED_S = (-1.0, 1.1, 2.0, HORIZON_S, HORIZON_S + 1.5, HORIZON_S + 2.5)
"""When it is looked at a live run, from the fire: once before it, for what is drawn by chance; then from when the early
ones have responded, since before that nobody has; the last two times about the entry that makes the verdict final."""
AT_ONCE_S = 5.0
"""Of the drive, taken at once where nobody looks."""
SIZE = (120, 36)
"""Of the overview, which draws a row that is looked at beside it, value by value, and has no other at other sizes."""
IDLE = RecorderView("recording", None, 0, "")


def of_text(name: str, text: str) -> Features:
    """The features of a text."""
    words, length, numbers = _pieces(text)
    found: Features = {f"{name}: words": words, f"{name}: length": length}
    for place, number in enumerate(numbers):
        found[f"{name}: number {place}"] = number
    found[f"{name}: numbers"] = float(len(numbers))
    return found


@lru_cache(maxsize=1 << 14)
def _pieces(text: str) -> tuple[str, float, tuple[float, ...]]:
    """The words without the numbers, the length, the numbers. Everybody is told much in the same words."""
    text = _NOISE.sub("#", text)
    return _NUMBER.sub("0", text), float(len(text)), tuple(float(number) for number in _NUMBER.findall(text))


def of_value(name: str, value: Any) -> Features:
    """The features of plain values, dataclasses and arrays, by their paths."""
    found: Features = {}
    _put(found, name, value)
    return found


def _put(found: Features, name: str, value: Any) -> None:
    if isinstance(value, str):
        found.update(of_text(name, value))
    elif isinstance(value, bool) or value is None:
        found[name] = str(value)
    elif isinstance(value, int | float):
        found[name] = float(value) if math.isfinite(value) else -1.0
    elif isinstance(value, np.ndarray):
        _put_array(found, name, value)
    elif (names := _fields_of(value.__class__)) is not None:
        for inner in names:
            _put(found, f"{name}.{inner}", getattr(value, inner))
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            _put(found, f"{name}.{key}", inner)
    elif isinstance(value, list | tuple | set | frozenset):
        found[f"{name}: count"] = float(len(value))
        for place, inner in enumerate(value):
            _put(found, f"{name}[{place}]", inner)


def _put_array(found: Features, name: str, value: np.ndarray) -> None:
    if value.dtype.kind in "fiub":
        finite = value[np.isfinite(value)] if value.dtype.kind == "f" else value
        found[f"{name}: values"] = float(len(value))
        found[f"{name}: there"] = float(len(finite))
        found[f"{name}: sum"] = float(np.sum(finite))
        found[f"{name}: last"] = float(finite[-1]) if len(finite) else 0.0


@lru_cache
def _fields_of(kind: type) -> tuple[str, ...] | None:
    """The names of a dataclass's fields; None for any other type."""
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else None


@cache
def judged(path: Path) -> WholeRun:
    """A record, judged once for all that is made of it: reports, exports, summaries, the notebook."""
    return read_whole(path)


class Run:
    """One record, judged once for all that is asked of it."""

    def __init__(self, path: Path, fire_t: float) -> None:
        self.path, self.fire_t = path, fire_t

    @property
    def whole(self) -> WholeRun:
        return judged(self.path)

    @cached_property
    def source(self) -> ReplayProvider:
        source = ReplayProvider(self.path, by="cora")
        source._making.run()
        return source

    @cached_property
    def laid(self) -> ReadRun:
        return OnceLaid(self.source.map)


def of_run(path: Path, fire_t: float, names: Iterable[str] | None = None) -> Features:
    """What can be read of one record in the artefacts of these names: all of them, but for the exports."""
    run = Run(path, fire_t)
    return {key: one for name in names or ARTEFACTS for key, one in ARTEFACTS[name](run).items()}


def _reviewed(run: Run) -> Features:
    found: Features = {}
    whole = run.whole
    sessions = {"own file": whole.session, "another file": review_record(run.path, study_of(OPEN_TEXT)).session}
    for which, session in sessions.items():
        found |= of_value(f"review by {which}", session_json(session, "r"))
        lines = "\n".join(line for trial in session.trials() for line in trial_lines(trial))
        found |= of_text(f"review by {which}, text", lines)
    found |= of_value("coder", cases(whole.session.study, whole.session.trials()))
    return found | of_text("close-out", markdown(close_out(whole))) | of_text("page", run_page(whole))


class OnceLaid(ReadRun):
    """A run that is laid once at an instant, whichever run and alignment it is laid there for."""

    def __init__(self, found: RecordMap) -> None:
        super().__init__(found, Playback(found))
        self._kept: dict[tuple[str, float], LaidRun] = {}

    def laid(self, trial: Trial, zero_t: float) -> LaidRun:
        at = (trial.id, zero_t)
        if at not in self._kept:
            self._kept[at] = super().laid(trial, zero_t)
        return self._kept[at]


def _beside(run: Run) -> Features:
    """The run laid over one in which nothing is hidden, every trial at everything that it can be laid at."""
    found: Features = {}
    this, other = run.laid, open_one()
    known: dict[tuple[int, int], tuple[Difference, ...]] = {}

    def found_once(first: LaidRun, second: LaidRun) -> tuple[Difference, ...]:
        """What differs, for the JSON and for the text: laid runs are kept, so each is known by its identity."""
        pair = (id(first), id(second))
        if pair not in known:
            known[pair] = differences(first, second)
        return known[pair]

    for pair in ((this, other), (other, this)):
        for trial in TRIALS:
            for alignment in ALIGNMENTS:
                name = f"beside {trial}, {alignment}, {'this' if pair[0] is this else 'other'} first"
                try:
                    laid = lay_runs(*pair, alignment, trial)
                except WitnessError as error:
                    found |= of_text(name, str(error))
                    continue
                with patch("monitor.replay.beside.document.differences", found_once):
                    found |= of_value(name, beside_json(*laid, alignment))
                    found |= of_text(f"{name}, text", "\n".join(beside_lines(*laid, alignment)))
                found |= {f"{name}: frames": float(len(one.t)) for one in laid if one.stretch.record == run.path.name}
    return found


@lru_cache(maxsize=1)
def open_one() -> ReadRun:
    """The run of somebody else, of a study that hides nothing."""
    directory = Path(tempfile.mkdtemp(prefix="tw-leaks-"))
    atexit.register(shutil.rmtree, directory, ignore_errors=True)
    driver = drivers(1, seed=11)[0]
    messages = drive_of(driver).messages()
    record = make_record(directory, driver.code, messages, study_of(OPEN_TEXT), driver.group)
    return OnceLaid(MapMaking(record).run())


def _explained(run: Run) -> Features:
    found: Features = {}
    this, tables = run.laid, run.path.parent / "tables"
    tables.mkdir(exist_ok=True)
    for trial in TRIALS:
        explained = explain_trial(this.found, this.playback, trial)
        found |= of_value(f"why {trial}", explanation_json(explained))
        found |= of_text(f"why {trial}, text", "\n".join(explanation_lines(explained)))
    stretch = series_about(this.found, this.playback, 1, run.fire_t - 5.0, run.fire_t + 30.0)
    table = write_table(tables, stretch)
    found |= {"table: bytes": float(table.stat().st_size)}
    rows = [row for row in csv.reader(table.read_text().splitlines()) if row and not row[0].startswith("#")]
    for column in zip(*rows, strict=True):
        values = np.array([float(cell) if cell else np.nan for cell in column[1:]])
        found |= of_value(f"table {column[0]}", values - values[0] if column[0] in ("entry", "seq") else values)
    return found | of_value("table marks", stretch.marks)


def _notebook(run: Run) -> Features:
    """The record as a notebook opens it; it is the one that was judged already."""
    with warnings.catch_warnings(), patch("monitor.reports.notebook.read_whole", lambda *asked, **more: run.whole):
        warnings.simplefilter("ignore")
        opened = open_run(run.path)
        found = of_value("notebook trials", opened.trials) | of_value("notebook markers", opened.markers)
        return found | of_value("notebook notes", opened.notes) | of_value("notebook frames", dict(opened.frames()))


def _live(run: Run) -> Features:
    """The screen from a second before the fire to the end of the horizon, the row of the overview also after it, when
    current values come back on the screen; and the lines of a run without a screen."""
    path, fire_t = run.path, run.fire_t
    reading = RecordReading(path)
    session = Session(study_of(TEXT), reading.opening)
    keeping = Keeping(session.study)
    stream, lines, channels = Stream(as_json=True), io.StringIO(), ChannelWatch()
    found: Features = {}
    looked = iter(LOOKED_S)
    at: float | None = next(looked)
    with redirect_stdout(lines):
        for entries in _up_to_looks(reading, session, fire_t):
            session.take(entries)
            keeping.take(session)
            if not session.is_deciding:  # else it depends on how the entries were cut what it says first
                stream.take(session)
            drive = session.current
            if drive is not None and at is not None and drive.log.newest_t >= fire_t + at - 1e-6:
                view = build_view(session, Viewing(record="r", recorder=IDLE, age_s=0.0, revision=1), channels=channels)
                if at <= HORIZON_S:
                    shown = of_value(f"screen at {at}", keeping.added_to(view))
                    found |= {key: value for key, value in shown.items() if ".study" not in key}
                row = row_of(Heard(path, True, 9.0, {**full(view), "pid": 1, "by": "cora"}))
                found |= of_value(f"announced at {at}", announced(view))
                found |= of_value(f"overview at {at}", row) | of_text(f"overview line at {at}", row_line(row))
                found |= of_text(f"foot of another run at {at}", elsewhere(Overseen(0.0, (row,)), Path("other"), 0.0))
                drawn = draw_overview(OverviewPicture((row,)), *SIZE).text()
                found |= of_text(f"overview drawn at {at}", drawn)
                for trial in view.trials:
                    card = "\n".join("".join(text for text, _ in line) for line in card_rows(trial, 120))
                    found |= of_text(f"card of {trial.id} at {at}", card)
                at = next(looked, None)
    return found | of_value("lines", [json.loads(line) for line in lines.getvalue().splitlines()])


def _up_to_looks(reading: RecordReading, session: Session, fire_t: float) -> Iterator[list[Entry]]:
    """The entries in blocks of them, but one by one where it is looked soon: at the very frame."""
    for entries in reading.blocks():
        while entries:
            drive = session.current
            newest_t = 0.0 if drive is None or not drive.log.counts.judged else drive.log.newest_t
            ahead_s = min(
                (fire_t + at - newest_t for at in LOOKED_S if fire_t + at > newest_t + 1e-6), default=AT_ONCE_S
            )
            count = max(1, int(min(ahead_s, AT_ONCE_S) * RATE_HZ) - 1)
            yield entries[:count]
            entries = entries[count:]


def _replayed(run: Run) -> Features:
    """Where a replay can be taken to, and what is on it at its end."""
    source = run.source
    source._move()
    source.seek(1e9)
    source._move()
    source._playback.complete()
    source._publish(1)
    view = source.view()
    found = of_value("replay transport", source.transport()) | of_value("replay places", source.places())
    found |= of_value("replay timeline", view.timeline) | of_value("replay numbers", view.numbers)
    return found | of_value("replay strips", view.strips) | of_value("replay sheet", view.sheet)


ARTEFACTS: dict[str, Callable[[Run], Features]] = {
    "reviewed": _reviewed,
    "explained": _explained,
    "notebook": _notebook,
    "live": _live,
    "beside": _beside,
    "replayed": _replayed,
}


def of_exports(directory: Path, out: Path, drivers: list[Driver]) -> dict[str, Features]:
    """Participant → what the caches and the masked exports of the whole study say of that participant."""
    found: dict[str, Features] = {driver.code: {} for driver in drivers}
    with patch("monitor.archive.summary_cache.review_record", _reviewed_once):
        gathered = gather(directory)
    for run in gathered.runs:
        cache = directory / run.record / CACHE_NAME
        # the sizes of the record's own files stand in it, as the directory tells them anyway
        found[run.participant] |= of_text("cache", cache.read_text().partition('"runs"')[2])
        found[run.participant] |= of_value("summary", run.as_json())
    forms: tuple[Form, ...] = ("csv", "bids", "cues")
    for form in forms:
        with patch("monitor.reports.export.export.read_whole", _whole_once):
            exported = export_records(gathered, ExportPlan(form), out / form)
        for code, features in _by_participant(exported.directory, form).items():
            found[code] |= features
    return found


def _whole_once(path: Path, study: Study | None, *, frames: bool) -> WholeRun:
    """Where an export needs no frames it gets them all the same."""
    assert study is None
    return judged(path)


def _reviewed_once(path: Path, study: Study | None = None) -> Reviewed:
    whole = judged(path)
    assert study is None
    return Reviewed(path, whole.session, whole.damage, whole.state, whole.digest)


def _by_participant(directory: Path, form: str) -> dict[str, Features]:
    found: dict[str, Features] = {}
    for file in sorted(path for path in directory.rglob("*") if path.is_file()):
        own = re.search(r"Q\d{3}", file.name) or re.search(r"sub-(Q\d{3})", str(file))
        text = file.read_text(errors="replace")
        if own is not None:
            code = own.group().removeprefix("sub-")
            name = re.sub(r"Q\d{3}\S*", "Q", file.name)
            found.setdefault(code, {}).update(of_text(f"{form} {name}", text))
            continue
        lines: dict[str, list[str]] = {}
        for line in text.splitlines():
            for code in set(re.findall(r"Q\d{3}", line)):
                lines.setdefault(code, []).append(line)
        for code, own_lines in lines.items():
            found.setdefault(code, {}).update(of_text(f"{form} {file.name}", "\n".join(own_lines)))
    return found

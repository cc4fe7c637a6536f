"""The rows of the exported tables, record by record."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from monitor.archive.summary import NO_GROUP, reasons_of
from monitor.feed.marker_kinds import KINDS
from monitor.judging.blinding import Span, ToldTimes, hidden_spans, hides
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import ConditionResult, Note, Response, Ruling, Trial
from monitor.judging.entered.rulings import seen_in_words
from monitor.reports.export.cells import utc
from monitor.reports.export.column import Column
from monitor.reports.export.day import day_rows, note_row
from monitor.reports.export.dictionary import ALWAYS, TABLES
from monitor.reports.export.drives import WholeRun
from monitor.reports.export.trial_columns import NO_TIME
from monitor.reports.statistics.survival import on_grid
from monitor.study.model import Study

Row = dict[str, Any]
ONSETS = ("accelerator_release_s", "brake_onset_s", "steering_onset_s")


@dataclass(slots=True)
class Tables:
    """All rows, in the order of the records. `masked`: nothing that tells of responses may be in them."""

    masked: bool
    rows: dict[str, list[Row]] = field(default_factory=lambda: {name: [] for name in TABLES})
    studies: dict[str, Study] = field(default_factory=dict)
    """The studies by which the records were judged, by digest."""

    def add(self, run: WholeRun) -> None:
        """The rows of one record."""
        opening, session = run.session.opening, run.session
        self.studies.setdefault(session.study.sha256, session.study)
        key = {"record": run.path.name, "participant": opening.participant}
        counts = [drive.log.counts for drive in session.drives]
        trials = session.trials(unblinded=not self.masked)
        hides_length = any(trial.withheld for trial in trials)
        self.rows["records"].append(
            {
                **key,
                "study": session.study.name,
                "study_sha256": session.study.sha256,
                "digest": run.digest,
                "addendum_digest": run.added.digest.hex() if run.added.entries else "",
                "state": run.state,
                "began_utc": utc(run.began_ns / 1e9),
                "frames": None if hides_length else sum(one.frames for one in counts),
                "lost": sum(one.lost for one in counts),
                "damage": "; ".join(run.damage),
                "program": opening.versions.get("trialwitness", ""),
            }
        )
        for trial in trials:
            self.rows["trials"].append(self._trial(key, run, trial))
            self.rows["rulings"] += _rulings(key, trial)
            self.rows["conditions"] += _conditions(key, trial)
            self.rows["findings"] += _findings(key, trial)
        times = session.told_times(unblinded=not self.masked)
        for drive in session.drives:
            self.rows["events"] += self._events(drive.log, trials, session.operator.notes, times, key)
        self.rows["notes"] += [
            {**key, **note_row(note), **_when(times, note.wall, note.drive, note.at)} for note in session.operator.notes
        ]

        masked = self.masked and any(trial.withheld for trial in trials)
        self.rows["day"] += [
            {**key, "retracted": False, **row, **_when(times, row["wall"], row.get("drive"), row.get("t_s"))}
            for row in day_rows(session, masked=masked)
        ]

    def written(self) -> Iterator[tuple[str, tuple[Column, ...]]]:
        """Tables that are written, with their columns."""
        yield from ((name, columns) for name, columns in TABLES.items() if name in ALWAYS or self.rows[name])

    def finish(self) -> None:
        """The participants' rows, from those of the records and trials."""
        codes = sorted({row["participant"] for row in self.rows["records"]})
        for code in codes:
            records = [row for row in self.rows["records"] if row["participant"] == code]
            trials = [row for row in self.rows["trials"] if row["participant"] == code]
            self.rows["participants"].append(
                {
                    "participant": code,
                    "group": "+".join(sorted({row["group"] for row in trials if row["group"]})),
                    "studies": "+".join(sorted({row["study"] for row in records})),
                    "records": len(records),
                    "trials": len(trials),
                    "valid_trials": sum(row["effective"] == "valid" for row in trials),
                }
            )

    def _events(
        self, log: DriveLog, of_record: Sequence[Trial], notes: Sequence[Note], told: ToldTimes, key: Row
    ) -> list[Row]:
        """Markers, responses and notes of one drive, by time.

        Of a masked export: after the first fire only what reveals nothing, and no time but those inside the horizon.
        """
        trials = [trial for trial in of_record if trial.drive == log.index]
        fires = [trial.fired_at for trial in trials if trial.fired_at is not None] if self.masked else []
        spans = hidden_spans(of_record, log.index)
        hiding = Hiding(min((*fires, *(one.start_t for one in spans)), default=math.inf), spans)
        found: list[Row] = [
            {
                "t_s": hiding.told(marker.t, marker.kind),
                "duration_s": None if duration is None or hiding.cuts(marker.t + duration) else duration,
                "event": marker.kind,
                "name": marker.name,
                "source": "simulator",
                "detail": json.dumps(marker.data, ensure_ascii=False, sort_keys=True) if marker.data else "",
                **(self._of_trigger(marker, trials) if marker.kind == "trigger" else {}),
            }
            for marker, duration in _lasting(list(log.markers.values()))
            if not (KINDS[marker.kind].reveals and marker.t > hiding.from_t)
        ]
        for trial in trials:
            if trial.response is not None and not self.masked:
                found += _responses(trial, trial.response)
        found += [
            {
                "t_s": told.at(log.index, note.at),
                "duration_s": 0.0,
                "event": "note",
                "name": "",
                "source": "operator",
                "detail": note.told,
            }
            for note in notes
            if note.drive == log.index and note.at is not None
        ]
        # a drive of which no frame came has no telemetry to count from: then its first event is the begin
        times = [row["t_s"] for row in found if row["t_s"] is not None]
        start = log.first_t if log.counts.judged else min(times, default=0.0)
        found.sort(key=lambda row: (_or_last(row["t_s"]), row["event"], row["name"], row["detail"]))
        onsets = [None if row["t_s"] is None else row["t_s"] - start for row in found]
        return [{**key, "drive": log.index, "onset_s": onset, **row} for onset, row in zip(onsets, found, strict=True)]

    def _of_trigger(self, marker: ReceivedMarker, trials: list[Trial]) -> Row:
        """What stands beside a trigger's marker: its trial, the verdict, and the response."""
        trial = next((one for one in trials if one.trigger == marker.name and one.fired_at == marker.t), None)
        if trial is None:
            return {}
        row: Row = {"trial": trial.id, "effective": trial.effective}
        response = trial.response
        if response is not None and not self.masked:
            first_s = response.first_s
            row["response_time"] = None if first_s is None else on_grid(response.t0 + first_s - marker.t)
            row["censored"] = None if response.outcome in NO_TIME else first_s is None
        return row

    def _trial(self, key: Row, run: WholeRun, trial: Trial) -> Row:
        session, ruling = run.session, trial.ruling
        row: Row = {
            **key,
            "group": session.group or NO_GROUP,
            "study": session.study.name,
            "trial": trial.id,
            "trigger": trial.trigger,
            "drive": trial.drive,
            "fired_s": trial.told_fired_at,
            "fired_utc": utc(trial.wall, "milliseconds"),
            "verdict": trial.verdict,
            "ruling": ruling.verdict if ruling else None,
            "ruling_reason": ruling.reason if ruling else None,
            "ruling_words": ruling.words if ruling else None,
            "ruled_by": ruling.by if ruling else None,
            "ruled_utc": utc(ruling.told_wall) if ruling else None,
            "rulings": len(trial.rulings),
            **_seen(ruling),
            "effective": trial.effective,
            "reasons": "; ".join(reasons_of(trial)),
            "naive": trial.naive if trial.surprises else None,
            "treatment": trial.treatment,
            "timing": trial.timing.result,
            "timing_delay_s": trial.timing.delay_s,
            "alert_expected": "+".join(trial.alert.expected or ()),
            "alert_given": "+".join(trial.alert.given),
            "alert_s": trial.alert.at,
            "alert_evidence": trial.alert.evidence,
            "alert_result": trial.alert.result,
        }
        if trial.response is not None:
            row["response_origin"] = trial.response.origin
            if not self.masked:
                row |= _response_row(trial.response)
        return row


@dataclass(frozen=True, slots=True)
class Hiding:
    """What a masked export hides of a drive's events: `from_t` is its first fire, infinite where nothing is hidden."""

    from_t: float
    spans: tuple[Span, ...]

    def told(self, t: float, kind: str) -> float | None:
        """A marker's time, where it may be told: when the next trigger came tells how fast the car went."""
        late = bool(self.spans) and t > self.spans[0].start_t
        inside = kind != "trigger" and hides(self.spans, t)
        return None if late and not inside else t

    def cuts(self, end_t: float) -> bool:
        """Whether how long something lasted is hidden because its end came after the fire."""
        return end_t > self.from_t


def _or_last(t: float | None) -> float:
    return math.inf if t is None else t


def _seen(ruling: Ruling | None) -> Row:
    seen = ruling.seen if ruling else None
    if ruling is not None and seen is None:
        return {"ruling_seen": "not recorded"}
    return {
        "ruling_seen": seen and seen_in_words(ruling) if ruling else None,
        "ruling_looks": seen.looks if seen else None,
        "ruling_after_look": None if seen is None or seen.looks is None else seen.looks > 0,
    }


def _rulings(key: Row, trial: Trial) -> list[Row]:
    last = len(trial.rulings)
    return [
        {
            **key,
            "trial": trial.id,
            "number": number,
            "verdict": one.verdict,
            "computed": trial.verdict,
            "reason": one.reason,
            "words": one.words,
            "by": one.by,
            "made_utc": utc(one.told_wall),
            "t_s": one.told_at,
            "in_force": number == last,
            "contradicted": any(other.verdict != one.verdict for other in trial.rulings),
            "seen_verdict": one.seen.verdict if one.seen else None,
            "seen_response": one.seen.response if one.seen else None,
            "looks": one.seen.looks if one.seen else None,
            "seen": seen_in_words(one) if one.seen else "not recorded",
        }
        for number, one in enumerate(trial.rulings, start=1)
    ]


FROM_ORIGIN = (
    "first_s",
    "accelerator_release_s",
    "accelerator_full_release_s",
    "transition_s",
    "brake_onset_s",
    "steering_onset_s",
    "from_alert_s",
    "censored_at_s",
    "contact_s",
    "watched_s",
)
"""Times of a response, put on the grid on which groups are compared: whoever compares the table has the same ties."""


def _response_row(response: Response) -> Row:
    times = {name: getattr(response, name) for name in FROM_ORIGIN}
    on_the_grid = {name: None if t is None else on_grid(t) for name, t in times.items()}
    return {
        **on_the_grid,
        "response_t0_s": response.t0,
        "first_response": response.first,
        "first_response_s": on_the_grid["first_s"],
        "release": response.release,
        "onset_to_peak_s": response.onset_to_peak_s,
        "outcome": response.outcome,
        "censored_s": on_the_grid["censored_at_s"] if response.outcome not in NO_TIME else None,
        "not_watched": "; ".join(response.not_watched),
        "min_ttc_s": response.min_ttc_s,
        "min_gap_m": response.min_gap_m,
        "max_decel_mps2": response.max_decel_mps2,
        "impact_speed_mps": response.impact_speed_mps,
        "left_lane": response.left_lane,
        "signs": "; ".join(
            f"{name} {state}" if response.signs[name] is None else f"{name} {response.signs[name]:.4f}"
            for name, state in response.sign_states.items()
        ),
        "max_lateral_deviation_m": response.max_lateral_deviation_m,
        "time_to_stable_s": response.time_to_stable_s,
        "min_ttc_bodies_s": response.min_ttc_bodies_s,
    }


def _responses(trial: Trial, response: Response) -> Iterator[Row]:
    for name in ONSETS:
        after = getattr(response, name)
        if after is not None:
            event = name.removesuffix("_s")
            yield {
                "t_s": response.t0 + after,
                "duration_s": 0.0,
                "event": event,
                "name": trial.trigger,
                "source": "computed",
                "detail": "",
                "trial": trial.id,
            }


def _conditions(key: Row, trial: Trial) -> list[Row]:
    return [
        {
            **key,
            "trial": trial.id,
            "condition": one.name,
            "measure": one.measure,
            "role": one.role,
            "at_least": one.at_least,
            "at_most": one.at_most,
            "outside": "" if one.outside is None else f"{one.outside[0]:g} {one.outside[1]:g}",
            "any_of": "; ".join(one.any_of),
            "tolerance": one.tolerance,
            "value": one.value,
            "state": one.state,
            "margin": one.margin,
            "unit": one.unit,
            "result": one.result,
            "at_edge": one.at_edge,
            "required": one.required,
            **_evidence(one),
        }
        for one in trial.conditions
    ]


def _evidence(one: ConditionResult) -> Row:
    told = one.evidence
    if told is None:
        return {}
    return {
        "checked_by": ", ".join(told.by),
        "rebuilt": told.rebuilt,
        "differs": told.differs,
        "noticed_from": told.noticed_from,
    }


def _findings(key: Row, trial: Trial) -> list[Row]:
    return [
        {
            **key,
            "trial": trial.id,
            "code": one.code,
            "severity": one.severity,
            "t_s": one.at,
            "sentence": one.sentence,
        }
        for one in trial.findings
    ]


def _lasting(markers: list[ReceivedMarker]) -> list[tuple[ReceivedMarker, float | None]]:
    """Each marker with its duration: 0 for an instant, None where its end is not known."""
    ordered = sorted(markers, key=lambda one: (one.t, one.n))
    found: list[tuple[ReceivedMarker, float | None]] = []
    for place, marker in enumerate(ordered):
        wanted = KINDS[marker.kind].ended_by
        if wanted is None:
            found.append((marker, 0.0))
            continue
        end = next((one for one in ordered[place:] if one.kind == wanted and one.name == marker.name), None)
        found.append((marker, end.t - marker.t if end else None))
    return found


def _when(times: ToldTimes, wall: float, drive: int | None, at: float | None) -> Row:
    """When something was entered, as far as it may be told."""
    return {"wall_utc": utc(times.wall(wall)), "t_s": times.at(drive, at)}

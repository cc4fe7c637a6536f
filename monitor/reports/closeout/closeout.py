"""The close-out of one run: what came of it and what is left to do, in sections that are printed or written."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.archive.gathering import count
from monitor.archive.summary import NO_GROUP
from monitor.following.handed_over import handed_now, without_clock
from monitor.judging.blinding import ToldTimes, masked_from
from monitor.judging.case.trial import ConditionResult, Response, Trial
from monitor.judging.entered.rulings import rulings_in_words
from monitor.judging.session import Session
from monitor.reports.closeout.day import day_left_to_do, day_sections
from monitor.reports.closeout.sections import Section, Table
from monitor.reports.export.cells import utc
from monitor.reports.export.drives import WholeRun

NOT_TICKED = "not ticked"


def close_out(run: WholeRun) -> tuple[Section, ...]:
    """The sections of one record's report."""
    session = run.session
    trials = session.trials()
    return (
        about_section(run),
        Section(2, "Left to do", tuple(left_to_do(run))),
        *(section for trial in trials for section in trial_sections(trial)),
        feed_section(run),
        *day_sections(session),
        *note_sections(run),
        *handover_sections(run),
        *sheet_sections(run),
    )


def about_section(run: WholeRun) -> Section:
    """Whose run it was, what came of it, and the record."""
    session = run.session
    return Section(1, f"Run of {session.opening.participant}: {_verdicts(session.trials())}", table=_about(run))


def feed_section(run: WholeRun) -> Section:
    """What came in, by drive."""
    return Section(2, "Feed", tuple(_feed(run)))


def left_to_do(run: WholeRun) -> list[str]:
    """What has still to be done with the record, most urgent first; empty where nothing is."""
    session, record = run.session, run.path
    said = [f"Damage: {what} See what is left with: trialwitness verify {record}" for what in run.damage]
    if run.state == "open":
        said.append(f"The record was never closed: trialwitness recover {record}")
    for trial in session.trials():
        if not trial.rulings and trial.effective == "undecided":
            said.append(f"Rule on {trial.id}, which is undecided: trialwitness rule {record} --trial {trial.id} …")
        elif trial.withheld and not trial.rulings:
            said.append(f"Rule on {trial.id}, {trial.effective}: the record is blind and every trial is ruled on.")
    if run.state in ("closed", "recovered"):
        said.append(f"Seal the record: trialwitness seal {record}")
    undone = sum(_ticked(session, step.name) == NOT_TICKED for step in session.study.sheet)
    if undone:
        said.append(f"{undone} of {count(len(session.study.sheet), 'step')} on the run sheet are not ticked.")
    said += day_left_to_do(session)
    said.append(f"Write the digest down elsewhere, if it was not yet: {run.digest}")
    if run.added.code:
        said.append(f"And the code of what was entered after closing: {run.added.code}")
    return said


def _verdicts(trials: Sequence[Trial]) -> str:
    return ", ".join(f"{trial.trigger} {trial.effective}" for trial in trials) or "no trial"


def _about(run: WholeRun) -> Table:
    session, opening = run.session, run.session.opening
    earlier = [f"{one.get('surprise_class')} in {one.get('record')}" for one in opening.exposures]
    rows = [
        ("group", session.group or NO_GROUP),
        ("study", f"{session.study.name}, file {session.study.sha256[:16]} …"),
        ("record", run.path.name),
        ("state", run.state),
        ("digest", f"{run.digest[:16]} … (in full below)"),
        *([("code of rulings", run.added.code)] if run.added.code else []),
        ("began", utc(run.began_ns / 1e9)),
        ("program", opening.versions.get("trialwitness", "not known")),
        ("earlier surprises", "; ".join(earlier) or ("none" if opening.exposures_known else "not known")),
    ]
    return Table(("", ""), tuple(rows))


def trial_sections(trial: Trial) -> tuple[Section, ...]:
    """What one trial came to and by what: verdict, rulings, findings, alert, response unless hidden, conditions."""
    said = [_fired(trial)]
    said += rulings_in_words(trial)
    said += [f"{one.severity}, {one.code}: {one.sentence}" for one in trial.findings]
    if trial.alert.result != "not stated":
        given = " with ".join(trial.alert.given) or "none"
        at = "" if trial.alert.at is None else f" at {trial.alert.at:.2f} s, {trial.alert.evidence}"
        said.append(f"Alert {trial.alert.result}: {given}{at}.")
    if trial.response_hidden:
        said.append("The response is hidden until the trial is ruled on (blind record).")
    elif trial.response is not None:
        said.append(_response(trial.response))
    heading = f"{trial.id}: {trial.effective.upper()}"
    rows = tuple(_condition(one) for one in trial.conditions)
    table = Table(("condition", "result", "value", "band", "margin"), rows) if rows else None
    checked = tuple((one.name, one.checked_words) for one in trial.conditions if one.checked_words)
    evidence = Section(3, "Checked by", table=Table(("condition", "channels that tell it as well"), checked))
    return (Section(2, heading, tuple(said), table), *((evidence,) if checked else ()))


def _fired(trial: Trial) -> str:
    at = trial.told_fired_at
    when = "at a time that is hidden" if at is None else f"at {at:.2f} s"
    fired = "It did not fire" if trial.fired_at is None else f"It fired {when}"
    delay = "" if trial.timing.delay_s is None else f" ({trial.timing.delay_s:+.3f} s)"
    return f"{fired}, {trial.timing.result}{delay}; {trial.exposure_words}; {trial.stage}."


def _condition(one: ConditionResult) -> tuple[str, ...]:
    unit = f" {one.unit}" if one.unit else ""
    value = one.state or ("–" if one.value is None else f"{one.value:.3g}{unit}")
    margin = "–" if one.margin is None else f"{one.margin:+.3g}{unit}"
    edge = " (at the edge)" if one.at_edge else ""
    weight = "" if one.required else ", advisory"
    return (f"{one.name}{weight}", f"{one.result}{edge}", value, _band(one), margin)


def _band(one: ConditionResult) -> str:
    return one.band.words("")


def _response(response: Response) -> str:
    if response.first_s is not None:
        times = [
            f"{name} {value:.2f} s"
            for name, value in (
                ("accelerator", response.accelerator_release_s),
                ("brake", response.brake_onset_s),
                ("steering", response.steering_onset_s),
            )
            if value is not None
        ]
        times += [f"{name} {at:.2f} s" for name, at in response.signs.items() if at is not None]
        what = f"{', '.join(times)} from {response.origin}"
    elif response.censored_at_s is not None:
        what = f"none up to {response.censored_at_s:.2f} s from {response.origin}"
    else:
        what = f"no time from {response.origin}"
    least = "" if response.min_ttc_s is None else f"; least TTC {response.min_ttc_s:.2f} s"
    return f"Response: {response.outcome}; {what}{least}."


def _feed(run: WholeRun) -> list[str]:
    said = []
    trials = run.session.trials()
    for drive in run.session.drives:
        log = drive.log
        counts = log.counts
        rate = f"{log.hello.rate_hz:g} Hz" if log.hello else "rate not known"
        if masked_from(trials, log.index) is not None:
            said.append(
                f"Drive {log.index} ({log.run}): {rate}, {counts.lost} lost, {counts.duplicates} doubled; how long it "
                "took and what ended it is hidden until the ruling."
            )
            continue
        length = 0.0 if counts.judged == 0 else log.newest_t - log.first_t
        ended = (log.end_kind or "not seen to its end").replace("_", " ")
        said.append(
            f"Drive {log.index} ({log.run}): {length:.1f} s at {rate}, {count(counts.frames, 'frame')}, {counts.lost} "
            f"lost, {counts.duplicates} doubled, {counts.out_of_order} out of order; ended by {ended}."
        )
    if run.session.bad:
        said.append(f"{count(run.session.bad, 'message')} broke the feed's schema; they are recorded as received.")
    return said or ["No message came in."]


def note_sections(run: WholeRun) -> tuple[Section, ...]:
    """The operator's notes; none where there are none."""
    notes = run.session.operator.notes
    if not notes:
        return ()
    times = run.session.told_times()
    rows = tuple((*_entered(times, note.drive, note.at), note.by, note.told) for note in notes)
    return (Section(2, "Notes", table=Table(("time", "drive", "by", "text"), rows)),)


def _entered(times: ToldTimes, drive: int | None, at: float | None) -> tuple[str, str]:
    """Time and drive of what somebody entered."""
    return _or_dash(times.at(drive, at), ".1f", " s"), _or_dash(drive, "d")


def handover_sections(run: WholeRun) -> tuple[Section, ...]:
    """Who took over, and which notes went with it, as they stand now; none where nobody did."""
    operator, times = run.session.operator, run.session.told_times()
    rows: list[tuple[str, ...]] = []
    for one in operator.handovers:
        lines = handed_now(one, operator.notes)
        when = (*_entered(times, one.entered.drive, one.entered.at), one.to)
        if not times.tells_all:
            lines = [without_clock(line) for line in lines]  # one of them may have been made after a hidden drive
        lines = lines or ["no note of the last ten minutes"]
        rows += [(*(when if not place else ("", "", "")), line) for place, line in enumerate(lines)]
    if not rows:
        return ()
    return (Section(2, "Handed over", table=Table(("time", "drive", "to", "notes that went with it"), tuple(rows))),)


def sheet_sections(run: WholeRun) -> tuple[Section, ...]:
    """The run sheet with what was ticked; none where the study has none."""
    session = run.session
    if not session.study.sheet:
        return ()
    rows = tuple((step.name, _ticked(session, step.name)) for step in session.study.sheet)
    return (Section(2, "Run sheet", table=Table(("step", "ticked"), rows)),)


def _ticked(session: Session, step: str) -> str:
    """When a step was ticked, or in which earlier run of the participant where once is enough."""
    done, before = session.operator.steps_done, session.operator.day.ticked_before
    if step in done:
        return utc(session.told_times().wall(done[step])) or "ticked, when is hidden until the ruling"
    return f"in {before[step]}" if session.study.is_once(step) and step in before else NOT_TICKED


def _or_dash(value: float | None, form: str, unit: str = "") -> str:
    return "–" if value is None else f"{value:{form}}{unit}"

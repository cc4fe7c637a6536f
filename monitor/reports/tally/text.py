"""The tally for people, at most 80 columns wide."""

from __future__ import annotations

from datetime import date, timedelta

from monitor.archive.gathering import Gathered, count
from monitor.reports.drawing import bars, columns, level, wrapped
from monitor.reports.statistics.intervals import wilson
from monitor.reports.tally.tally import GroupTally, StudyTally, TriggerTally, sum_known, tally_studies

NAME, WIDTHS = 16, (8, 6, 7, 9, 11, 8)
HEADING = ("", "planned", "run", "valid", "invalid", "undecided", "needed")
PLOT_ROWS, PLOT_COLUMNS = 5, 60
PACE_DAYS = 5
"""The pace is that of the last so many days with a run."""


def tally_lines(gathered: Gathered, trigger: str | None = None) -> list[str]:
    """The whole report: faults first, then each study."""
    lines = [line for fault in gathered.faults() for line in wrapped(fault, "! ", "  ")]
    if lines:
        lines.append("")
    if not gathered.studies:
        lines.append(f"{gathered.directory} holds no run that can be counted.")
    for study in tally_studies(gathered, trigger):
        lines += _study_lines(study)
    for remark in gathered.remarks():
        lines += wrapped(remark, "· ", "  ")
    return lines


def _study_lines(study: StudyTally) -> list[str]:
    lines = [f"{study.name}: {count(study.runs, 'run')}, {count(study.participants, 'participant')}"]
    lines += wrapped(study.title) if study.title else []
    lines += _before_lot(study)
    for trigger in study.triggers:
        lines += ["", *trigger_lines(trigger)]
    lines += ["", *wrapped(f"A lost trial is replaced by the study's rule: {study.replacement}.")]
    return [*lines, ""]


def _before_lot(study: StudyTally) -> list[str]:
    """Who was invited and has no lot."""
    before = study.before_lot
    if before is None:
        return []
    parts = [f"{before.no_shows} did not come"] if before.no_shows else []
    parts += [f"{number} not taken ({words})" for words, number in before.not_taken.items()]
    parts += [f"{before.withdrew} withdrew"] if before.withdrew else []
    parts += [f"{count(before.waiting, 'participant')} without a lot yet"] if before.waiting else []
    fault = wrapped(before.fault, "! ", "  ") if before.fault else []
    return fault + wrapped(f"before a lot was opened: {', '.join(parts) or 'nobody'}", "  ▸ ", "    ")


def trigger_lines(one: TriggerTally) -> list[str]:
    """One trigger: the table, the losses, the days."""
    kind = "with the group's alert" if one.has_alert else "no alert in any group"
    lines = [f"{one.trigger}, {kind}", *_table(one.groups)]
    if one.treatments:
        lines += ["  by treatment, over all orders:", *_table(one.treatments)]
    if one.valid_at_least is not None:
        counting = ", ".join(f"{group.group} {group.counting}" for group in one.groups)
        words = f"planned are participants with at least {count(one.valid_at_least, 'valid trial')}: {counting}"
        lines += wrapped(words, "  ▸ ", "    ")
    lines += _reasons(one, "lost", [(group.group, group.invalid_by_reason) for group in one.groups])
    lines += _reasons(one, "undecided", [(group.group, group.undecided_by_reason) for group in one.groups])
    awaiting = sum(group.awaiting for group in one.groups)
    if awaiting:
        lines += wrapped(
            f"{count(awaiting, 'trial')} {_wait(awaiting)} for a ruling: trialwitness rule", "  ▸ ", "    "
        )
    ruled = sum(group.ruled for group in one.groups)
    after = [f"{group.group} {group.ruled_after_look}" for group in one.groups if group.ruled_after_look]
    unknown = [f"{group.group} {group.rulings_not_recorded}" for group in one.groups if group.rulings_not_recorded]
    for text, which in (
        ("ruled after a look at responses by group", after),
        ("ruled, and what was seen before is not recorded", unknown),
    ):
        if which:
            lines += wrapped(f"{text}: {', '.join(which)} (of {count(ruled, 'ruling')})", "  ▸ ", "    ")
    contradicted = [f"{group.group} {group.contradicted}" for group in one.groups if group.contradicted]
    if contradicted:
        lines += wrapped(f"rulings that contradict each other: {', '.join(contradicted)}", "  ▸ ", "    ")
    not_naive = [f"{group.group} {group.not_naive}" for group in one.groups if group.not_naive]
    if not_naive:
        lines += wrapped(f"not naive, or not known to be: {', '.join(not_naive)} (of all run)", "  ▸ ", "    ")
    withdrawn = [f"{group.group} {group.withdrawn}" for group in one.groups if group.withdrawn]
    if withdrawn:
        lines += wrapped(f"withdrawn, without data: {', '.join(withdrawn)}", "  ▸ ", "    ")
    return [*lines, *_loss(one), *_plot(one)]


def _wait(number: int) -> str:
    return "waits" if number == 1 else "wait"


def _table(groups: tuple[GroupTally, ...]) -> list[str]:
    rows: list[tuple[str, ...]] = [HEADING]
    for group in groups:
        counts = (str(group.run), str(group.valid), str(group.invalid), str(group.undecided))
        rows.append((f"  {group.group}", _planned(group.planned), *counts, _planned(group.still_needed)))
    sums = [sum(getattr(group, name) for group in groups) for name in ("run", "valid", "invalid", "undecided")]
    planned, needed = (sum_known(getattr(group, name) for group in groups) for name in ("planned", "still_needed"))
    rows.append(("  all", _planned(planned), *(str(each) for each in sums), _planned(needed)))
    lines = columns(rows, (NAME, *WIDTHS))
    for place, group in enumerate(groups, start=1):
        if group.planned:
            lines[place] = (
                f"{lines[place].ljust(NAME + sum(WIDTHS))}  {level(group.counting / group.planned, 12)}".rstrip()
            )
    return lines


def _planned(number: int | None) -> str:
    return "–" if number is None else str(number)


def _reasons(one: TriggerTally, word: str, groups: list[tuple[str, dict[str, int]]]) -> list[str]:
    lines = []
    for group, reasons in groups:
        if reasons:
            what = ", ".join(f"{reason} {number}" for reason, number in reasons.items())
            lines += wrapped(what, f"  {word:<10}{group:<14}", " " * 26)
    return lines


def _loss(one: TriggerTally) -> list[str]:
    """What the exact test says and what it does not: with few trials a large difference may well stay unseen."""
    if one.loss_groups < 2:
        return []
    decided = [group for group in one.groups if group.invalid + group.valid]
    shares = ", ".join(f"{group.group} {group.invalid} of {group.invalid + group.valid}" for group in decided)
    if one.loss_p is None:
        return wrapped(f"Loss by group: {shares} (too many tables for an exact test).", "  ▸ ", "    ")
    test = f"exact test over {one.loss_groups} groups, p = {one.loss_p:.3f}"
    if one.unequal_loss:
        text = f"LOSS IS UNEQUAL: {shares} ({test}). Find out why before more participants are spent."
        return wrapped(text, "  ▲ ", "    ")
    if not any(group.invalid for group in one.groups):
        return []
    text = (
        f"Loss by group: {shares}. An inequality is not shown ({test}), nor is it ruled out: by the numbers so far, "
        f"loss may be {', '.join(_may_be(group) for group in decided)}."
    )
    return wrapped(text, "  ▸ ", "    ")


def _may_be(group: GroupTally) -> str:
    low, high = wilson(group.invalid, group.invalid + group.valid) or (0.0, 1.0)
    return f"{low:.0%} to {high:.0%} ({group.group})"


def _plot(one: TriggerTally) -> list[str]:
    """Valid trials so far by calendar day, up to the number planned."""
    known = [(date.fromisoformat(day), valid) for day, valid, _ in one.days if day]
    if len(known) < 2:
        return []
    first, last = known[0][0], known[-1][0]
    step = -(-((last - first).days + 1) // PLOT_COLUMNS)
    heights, edges = [], []
    day = first
    while day <= last:
        edges.append(day)
        until = day + timedelta(days=step)
        heights.append(sum(valid for at, valid in known if at < until))
        day = until
    top = max(one.planned or 0, one.valid, 1)
    width = max(1, min(6, PLOT_COLUMNS // len(heights)))
    drawn = bars([height / top for height in heights for _ in range(width)], PLOT_ROWS)
    each = "day" if step == 1 else f"{step} days"
    lines = ["", f"  valid trials so far, a column for each {each}"]
    for place, row in enumerate(drawn):
        mark = {0: str(top), PLOT_ROWS - 1: "0"}.get(place, "")
        frame = "┬" if place == 0 and one.planned else "│"
        lines.append(f"{mark:>6} {frame}{row}".rstrip())
    from_to = f"{first:%d %b %Y}", f"{last:%d %b %Y}"
    gap = max(2, len(drawn[0]) - len(from_to[0]) - len(from_to[1]))
    lines.append(f"        {from_to[0]}{' ' * gap}{from_to[1]}")
    return [*lines, *_pace(one, known)]


def _pace(one: TriggerTally, known: list[tuple[date, int]]) -> list[str]:
    recent = known[-PACE_DAYS:]
    pace = sum(valid for _, valid in recent) / len(recent)
    if not one.still_needed:
        return ["  Every planned trial is in."] if one.planned else []
    if pace == 0.0:
        return wrapped(f"No valid trial on the last {len(recent)} days with a run.", "  ")
    more = -(-one.still_needed // pace)
    text = f"{pace:.1f} valid a day on the last {len(recent)} days with a run; {one.still_needed} needed: "
    return wrapped(f"{text}about {count(int(more), 'more such day')}.", "  ")

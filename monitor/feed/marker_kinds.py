"""The kinds of marker (contract of the feed), one row each: what it means, and what follows from it everywhere.

A new kind is a row here, the rule that looks at it, and that rule's test.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MarkerKind:
    """One kind of marker."""

    name: str
    means: str
    data: str = ""
    """Keys of its `data` map that judging reads."""
    needs_name: bool = False
    """Whether a name tells which one it is (a trigger's, a task's)."""
    ends_drive: bool = False
    holds: bool | None = None
    """True: the simulation stands from here on; False: it goes on; None: neither."""
    ended_by: str | None = None
    """The kind that ends what this one begins, where it lasts."""
    on_timeline: str | None = None
    """What it is called on a time line; None where it does not stand there."""
    of_sources: bool = False
    """Whether a further source may give it, too. All others are the simulator's alone: a tablet ends no drive."""
    reveals: bool = True
    """Whether one that comes after a fire tells of the driver's response, so that a blind record hides it. True unless
    the row says that it is the script's alone: who responds leaves the task, and a contact ends the drive."""


KINDS: dict[str, MarkerKind] = {
    kind.name: kind
    for kind in (
        MarkerKind("run_start", "the drive begins", reveals=False),
        MarkerKind("run_end", "the drive ended as planned", ends_drive=True),
        MarkerKind("pause", "simulation time stands", holds=True, ended_by="resume", on_timeline="pause"),
        MarkerKind("resume", "simulation time goes on", holds=False),
        MarkerKind("abort", "the drive was broken off", ends_drive=True),
        MarkerKind(
            "trigger",
            "a scripted event fired",
            data="treatment (of an order), not_before (it fired between then and its time, where no frame was seen)",
            needs_name=True,
            on_timeline="trigger",
            reveals=False,
        ),
        MarkerKind(
            "alert_on",
            "an alert begins",
            data="modality (a text, or a list where several are combined), measured (a sensor saw it)",
            ended_by="alert_off",
            on_timeline="alert",
            of_sources=True,
            reveals=False,
        ),
        MarkerKind("alert_off", "an alert ends", data="modality, measured", of_sources=True),
        MarkerKind(
            "task_start",
            "the visual task begins",
            needs_name=True,
            ended_by="task_end",
            on_timeline="task",
            of_sources=True,
        ),
        MarkerKind("task_item", "one item of the visual task is shown", needs_name=True, of_sources=True),
        MarkerKind("task_end", "the visual task ends", needs_name=True, of_sources=True),
        MarkerKind("collision", "own car touched something", on_timeline="collision"),
        MarkerKind("sync", "an instant that several clocks have seen", data="clock_s (the other clock's reading)"),
        MarkerKind("other", "anything else that a study wants on record", needs_name=True, of_sources=True),
    )
}
"""In the order of the contract."""

BEGUN_BY = {kind.ended_by: kind.name for kind in KINDS.values() if kind.ended_by}
"""Kind that ends something → the kind that began it."""


def word_on_plot(kind: MarkerKind) -> str | None:
    """What a marker is called on a plot, where the ends of alerts and tasks stand, too; None where it does not."""
    begun = BEGUN_BY.get(kind.name)
    return kind.on_timeline if begun is None or kind.holds is not None else KINDS[begun].on_timeline

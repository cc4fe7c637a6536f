"""A channel map against the study that it is meant for: every name of the one that the other does not know."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from monitor.connect.channel_map.model import ChannelMap, MarkerRule, OsiSource, Reading
from monitor.feed.marker_kinds import KINDS
from monitor.study.model import Study
from monitor.study.needs import OTHERS, needed_channels
from monitor.tables.faults import closest, listed, quoted

PATH_CHANNELS = ("lane_offset", "lane_width", "station")
"""What a road line gives, too."""


@dataclass(slots=True)
class Compared:
    """What does not go together, a sentence each; `look_at` is no reason against it."""

    faults: list[str] = field(default_factory=list)
    """Names of the map that the study does not know, and triggers that could never be seen: wrong in any case."""
    lacking: list[str] = field(default_factory=list)
    """What the study needs and the map does not give."""
    look_at: list[str] = field(default_factory=list)

    def unknown(self, what: str, name: str, known: Iterable[str]) -> None:
        """A name of the map that the study does not have."""
        options = list(known)
        meant = closest(name, options)
        has = f"it has {listed(options, 'and')}" if options else "it has none"
        hint = f"did you mean {quoted(meant)}?" if meant else f"{has}."
        self.faults.append(f"The map has {what} {quoted(name)}, which the study does not know; {hint}")


def compare(
    study: Study,
    channels: ChannelMap,
    further: Sequence[ChannelMap] = (),
    groups: Sequence[str] | None = None,
) -> Compared:
    """The map of the simulator, with those of further sources, against the study. `groups`: those that are driven;
    None: all of the study."""
    out = Compared()
    maps = (channels, *further)
    rules = [rule for one in maps for rule in one.markers]
    _triggers(study, rules, channels, out)
    _alerts(study, rules, list(study.groups) if groups is None else groups, out)
    _tasks(study, rules, out)
    _run(study, channels, out)
    _signals(study, maps, out)
    _channels(study, maps, out)
    _roles(study, channels, out)
    return out


def names_made(rules: Iterable[MarkerRule], kind: str) -> tuple[set[str], bool]:
    """The names of markers that rules of a kind make, and whether some come from the source itself."""
    names: set[str] = set()
    is_open = False
    for rule in rules:
        if rule.kind != kind:
            continue
        names |= set(rule.names.values()) if rule.names is not None else {rule.name} if rule.name else set()
        is_open = is_open or rule.name_from is not None
    return names, is_open


def _triggers(study: Study, rules: Sequence[MarkerRule], channels: ChannelMap, out: Compared) -> None:
    known = [trigger.name for trigger in study.triggers]
    names, is_open = names_made(rules, "trigger")
    for name in sorted(names - set(known)):
        out.unknown("the trigger", name, known)
    if is_open:
        return
    if not any(rule.kind == "trigger" for rule in rules) and isinstance(channels.source, OsiSource):
        out.faults.append(
            f"ASAM OSI carries no triggers, and the study has {listed(known, 'and')}: give a source of markers with "
            "--also FILE (a map of the scenario engine's own messages, or of a marker stream)."
        )
        return
    for name in known:
        if name not in names:
            out.faults.append(
                f"The study's trigger {quoted(name)} has no [[marker]] of kind trigger in the map, so that it could "
                "never be seen to fire."
            )


def _alerts(study: Study, rules: Sequence[MarkerRule], driven: Sequence[str], out: Compared) -> None:
    has_alerts = any(one.alert for one in study.triggers)
    used = [group.alert for group in study.groups.values()] if has_alerts else []
    known = list(dict.fromkeys(modality for alert in used for modality in alert))
    given = {modality for rule in rules if rule.kind == "alert_on" for modality in rule.modality}
    for modality in sorted(given - set(known)):
        out.unknown("an alert of the modality", modality, known)
    if any(rule.kind == "alert_on" and rule.name_from is not None for rule in rules):
        return
    for modality in known:
        if modality not in given:
            groups = [name for name in driven if modality in study.groups[name].alert]
            if not groups:
                continue
            out.lacking.append(
                f"No [[marker]] of kind alert_on has the modality {quoted(modality)}: the alert of "
                f"{listed(groups, 'and')} could never be seen."
            )


def _tasks(study: Study, rules: Sequence[MarkerRule], out: Compared) -> None:
    known = list(dict.fromkeys(one.task.name for one in study.triggers if one.task is not None and one.task.name))
    for kind in (one for one in KINDS if one.startswith("task_")):
        names, is_open = names_made(rules, kind)
        for name in sorted(names - set(known)):
            if known:
                out.unknown(f"a {kind} of the task", name, known)
        items = any(one.task is not None and one.task.items for one in study.triggers)
        if is_open or (kind == "task_item" and not items):
            continue
        for name in known:
            if name not in names:
                out.lacking.append(f"The study's task {quoted(name)} has no [[marker]] of kind {kind} in the map.")


def _run(study: Study, channels: ChannelMap, out: Compared) -> None:
    run = channels.run
    groups = [*(run.groups or {}).values(), *([run.group] if run.group else [])]
    for name in sorted(set(groups) - set(study.groups)):
        out.unknown("the group", name, study.groups)
    if run.groups:
        for name in study.groups:
            if name not in groups:
                out.look_at.append(f"[run.groups] never says {quoted(name)}, a group of the study.")
    scenarios = [*(run.scenarios or {}).values(), *([run.scenario] if run.scenario else [])]
    if study.scenarios:
        for name in sorted(set(scenarios) - set(study.scenarios)):
            out.unknown("the scenario", name, study.scenarios)


def _signals(study: Study, maps: Sequence[ChannelMap], out: Compared) -> None:
    needs = needed_channels(study)
    given = {name: signal for one in maps for name, signal in one.signals.items()}
    for name in given:
        if name in study.signals:
            continue
        meant = closest(name, [one for one in study.signals if one not in given])
        if meant is not None:
            out.faults.append(
                f"The map has the signal {quoted(name)}, which the study does not know; did you mean {quoted(meant)}?"
            )
        else:
            out.look_at.append(f"The study does not use the signal {quoted(name)}; it is recorded all the same.")
    for name, signal in study.signals.items():
        if name not in given:
            who = needs.get(name)
            if who:
                out.lacking.append(
                    f"The study's signal {quoted(name)} is not in the map, but {', '.join(who)} needs it: "
                    f"[signals.{name}]"
                )
            elif signal.lower_limit is not None or signal.upper_limit is not None:
                out.look_at.append(f"The study's signal {quoted(name)} is not in the map; its limits watch nothing.")
        elif signal.unit and given[name].unit not in (signal.unit, "1") and given[name].unit:
            out.faults.append(
                f"The signal {quoted(name)} comes in {given[name].unit} by the map, and the study has it in "
                f"{signal.unit}."
            )


def _channels(study: Study, maps: Sequence[ChannelMap], out: Compared) -> None:
    channels = maps[0]
    if channels.own is None:
        return
    signals = {name for one in maps for name in one.signals}
    for name, who in needed_channels(study).items():
        needed = ", ".join(who)
        if name == OTHERS:
            if not channels.vehicles and channels.rows is None:
                out.lacking.append(
                    f"The map has no other vehicle, but {needed} needs one: [vehicles], or [[vehicle]] each."
                )
        elif name not in signals and name not in study.signals:
            reading = channels.own.channels.get(name)
            if reading is not None and not _is_left_out(reading):
                continue
            if channels.road is not None and name in PATH_CHANNELS:
                continue
            if isinstance(channels.source, OsiSource) and reading is not None:
                continue
            what = "is not in the map" if reading is None else "is not measured by the map"
            out.lacking.append(f"{name} {what}, but {needed} needs it: [own] {name}")


def _is_left_out(reading: Reading) -> bool:
    return reading.constant is not None and reading.constant != reading.constant


def _roles(study: Study, channels: ChannelMap, out: Compared) -> None:
    named = [one.name for one in channels.vehicles if one.name]
    numbered = [one.id for one in channels.vehicles]
    if channels.rows is not None or channels.own is None:
        return
    for role in study.roles.values():
        if role.vehicle is not None and role.vehicle not in named:
            meant = closest(role.vehicle, named)
            hint = f"did you mean {quoted(meant)}?" if meant else f"it has {listed(named, 'and')}."
            out.faults.append(
                f"The study's role {quoted(role.name)} is the vehicle {quoted(role.vehicle)}, which the map does not "
                f"have; {hint}"
            )
        elif role.id is not None and role.id not in numbered:
            out.faults.append(
                f"The study's role {quoted(role.name)} is the vehicle with the id {role.id}, which the map does not "
                "have."
            )

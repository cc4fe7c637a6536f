"""`check`: the study file, and the feed, before the participant arrives."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("check", help="is the study file right, does the feed give what it needs?")
    parser.add_argument("--study", required=True, metavar="FILE")
    parser.add_argument(
        "--feed",
        action="append",
        default=[],
        metavar="ENDPOINT",
        help="listen here and compare with what the study needs; again for further sources (gaze, tablet, sensor)",
    )
    parser.add_argument("--seconds", type=float, default=5.0, metavar="S", help="how long to listen (default: 5)")
    parser.add_argument("--map", metavar="FILE", help="is this channel map right, and does it go with the study?")
    parser.add_argument(
        "--also",
        action="append",
        default=[],
        metavar="FILE",
        help="the map of a further source, or MAP=FILE; repeatable",
    )
    parser.add_argument("--csv", metavar="FILE", help="with --map: judge this file dry; with --propose: look at it")
    parser.add_argument(
        "--source",
        metavar="ADDRESS",
        nargs="?",
        const="",
        help="with --map: listen to the foreign source itself, at the map's own address or here, and judge it dry",
    )
    parser.add_argument(
        "--propose",
        metavar="FILE",
        help="write a first channel map of a ZeroMQ source (--feed) or a file (--csv), or the triggers of a --scenario",
    )
    parser.add_argument(
        "--scenario", metavar="FILE", help="an OpenSCENARIO XML file: where do the script and the study differ?"
    )
    parser.add_argument("--own", metavar="NAME", help="with --scenario: the entity that is the own car")
    parser.add_argument(
        "--record", metavar="RECORD", help="with --scenario: did the script fire in this record as its file says?"
    )
    parser.add_argument(
        "--freeze", action="store_true", help="enter this study file as the one that judges, before the first look"
    )
    parser.add_argument("--records", default="records", metavar="DIR", help="with --freeze: the study's records")
    parser.add_argument("--by", metavar="WHO", help="with --freeze: who does it (default: the login name)")
    parser.add_argument("--own-key", metavar="FILE", help="our secret CURVE key file")
    parser.add_argument("--simulator-key", metavar="FILE", help="the simulator's public CURVE key file")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.listening import curve_files
    from monitor.commands.shared.printing import harmless, print_json, trial_lines
    from monitor.commissioning.check.map_and_study import compare
    from monitor.connect.channel_map.loading import load_map
    from monitor.connect.sources.files import Beside, beside_from
    from monitor.errors import FileFaults, WitnessError
    from monitor.study.loading import load_study

    keys = curve_files(options)
    for given, name in ((options.also, "--also"), (options.source is not None, "--source")):
        if given and not options.map:
            raise WitnessError(f"{name} goes with --map FILE, the map of the simulator.")
    if options.csv and not options.map and not options.propose:
        raise WitnessError("--csv needs --map FILE, by which it is judged, or --propose FILE for a first map.")
    try:
        study = load_study(options.study)
        channels = load_map(options.map) if options.map else None
        scenario = _load_scenario(options)
        beside = [Beside(load_map(name), path) for name, path in map(beside_from, options.also)]
        further = [one.map for one in beside]
    except FileFaults as faults:
        if not faults.readable:
            raise
        if options.json:
            print_json({"study": options.study, "ok": False, "faults": list(faults.faults), "cautions": []})
        else:
            print(faults)
        return 1
    if options.propose and scenario is not None:
        from monitor.commissioning.scenario_file.proposal import propose_triggers

        return _write(options, "triggers", propose_triggers(scenario, study, options.own))
    if options.propose:
        return _propose(options, study, keys)
    kept = _freeze(options, study) if options.freeze else None
    document: dict[str, Any] = {
        "study": options.study,
        "ok": True,
        "faults": [],
        "cautions": [*study.cautions, *(one for each in (channels, *further) if each for one in each.cautions)],
        "name": study.name,
        "triggers": [trigger.name for trigger in study.triggers],
        "groups": list(study.groups),
        **({"frozen": {"sha256": kept.sha256, "when": kept.when, "after_looks": kept.after_looks}} if kept else {}),
    }
    conditions = sum(len(trigger.conditions) for trigger in study.triggers)
    lines = [f"{options.study}: study {study.name}, {len(study.triggers)} triggers, {conditions} conditions, no fault"]
    if kept is not None:
        late = f"; {kept.after_looks} looks had been entered before" if kept.after_looks else ""
        lines.append(f"frozen on {kept.when} by {kept.by}, digest {kept.sha256}{late}")
    lines += [f"  {caution}" for caution in document["cautions"]]
    if channels is not None and options.csv is None and options.source is None:
        compared = compare(study, channels, further)
        document["faults"] = [*compared.faults, *compared.lacking]
        document["look_at"] = compared.look_at
        document["ok"] = not document["faults"]
        names, rules = len(channels.names()), len(channels.markers)
        found = "no fault" if document["ok"] else f"{len(document['faults'])} that do not go with the study"
        lines.append(f"{options.map}: a channel map of {names} names and {rules} marker rules, {found}")
        lines += [f"  FAULT  {fault}" for fault in document["faults"]]
        lines += [f"  look at: {one}" for one in compared.look_at]
    elif channels is not None:
        from monitor.commissioning.check.dry.live import judge_source
        from monitor.commissioning.importing import PastDrive, judge_file

        if options.csv is not None:
            report = judge_file(PastDrive(channels, Path(options.csv), tuple(beside)), study)
        else:
            report = judge_source(study, [channels, *further], options.source or None, options.seconds, keys)
        document["dry"] = report.as_json()
        document["ok"] = report.ok
        lines += [*report.sentences(), *(line for trial in report.trials for line in trial_lines(trial))]
    if options.feed:
        from monitor.commissioning.check.dry.live import judge_feeds
        from monitor.connect.opened_feeds import OpenedFeeds

        opened = OpenedFeeds(options.feed)
        try:
            heard = judge_feeds(study, opened.endpoints, options.seconds, keys)
        finally:
            opened.end()
        document["feed"] = heard.feed.as_json()
        document["sources"] = [source.as_json() for source in heard.sources]
        document["dry"] = heard.as_json()
        document["ok"] = document["ok"] and heard.feed.ok and all(source.ok for source in heard.sources)
        lines += [line for source in heard.sources for line in source.sentences()] + heard.feed.sentences()
        fired = [trial for trial in heard.trials if trial.fired_at is not None]
        lines += [*heard.sentences(), *(line for trial in fired for line in trial_lines(trial))]
        lines += [] if fired else ["  no trigger fired while it was listened to"]
    if scenario is not None:
        lines += _hold(options, study, scenario, document)
    if options.json:
        print_json(document)
    else:
        print("\n".join(harmless(line) for line in lines))
    return 0 if document["ok"] else 1


def _freeze(options: argparse.Namespace, study: Any) -> Any:
    """Enters the study's digest into the look file of the directory of records, which is made where it is not there."""
    from pathlib import Path

    from monitor.archive.chained_lines import chain_fault
    from monitor.archive.looks import AUDIT_NAME, freeze
    from monitor.commands.shared.printing import say
    from monitor.following.live import operator_name
    from monitor.named_files import make_directory

    directory = Path(options.records)
    make_directory(directory)
    fault = chain_fault(directory / AUDIT_NAME)
    if fault is not None:  # what cannot be read may have frozen another file
        say(fault)
    return freeze(directory, options.by or operator_name(), study)


def _load_scenario(options: argparse.Namespace) -> Any:
    from monitor.errors import WitnessError

    if options.scenario is None:
        lacking = next((name for name in ("own", "record") if getattr(options, name) is not None), None)
        if lacking is not None:
            raise WitnessError(f"--{lacking} is about a scenario file; give it with --scenario FILE.")
        return None
    from monitor.commissioning.scenario_file.scenario import load_scenario_file

    scenario = load_scenario_file(options.scenario)
    if options.own is not None and options.own not in scenario.entities:
        raise WitnessError(
            f"{options.scenario} has no entity {options.own!r}; it has {', '.join(scenario.entities) or 'none'}."
        )
    return scenario


def _hold(options: argparse.Namespace, study: Any, scenario: Any, document: dict[str, Any]) -> list[str]:
    """Holds the study, and a record where one is given, against the scenario file; enters it in the document."""
    from pathlib import Path

    from monitor.commissioning.scenario_file.comparison import compare_with_study
    from monitor.commissioning.scenario_file.fired import hold_against

    compared = compare_with_study(scenario, study, options.own)
    document["scenario"] = compared.as_json()
    document["ok"] = document["ok"] and compared.ok
    counted = f"{len(scenario.events)} event{'' if len(scenario.events) == 1 else 's'}"
    untold = sum(one.kind == "cannot be told" for one in compared.found)
    verdict = "script and study differ" if not compared.ok else "nothing differs"
    if compared.ok and untold:
        verdict = f"nothing differs of what can be told; {untold} thing{'' if untold == 1 else 's'} cannot be told"
    lines = [f"{options.scenario}: OpenSCENARIO {scenario.version}, {counted}; {verdict}"]
    lines += [f"  {sentence}" for sentence in compared.sentences()]
    if options.record is not None:
        fired = hold_against(scenario, study, Path(options.record), options.own)
        document["fired"] = [one.as_json() for one in fired]
        document["ok"] = document["ok"] and all(one.ok is not False for one in fired)
        marks = {True: "✓", False: "✗", None: "?"}
        lines += [f"{options.record}: against its scenario file"]
        lines += [f"  {marks[one.ok]} {one.sentence}" for one in fired] or ["  no trial of this study"]
    return lines


def _propose(options: argparse.Namespace, study: Any, keys: Any) -> int:
    """Writes a first map; overwrites nothing."""
    from pathlib import Path

    from monitor.commissioning.propose.proposal import propose_from_csv, propose_from_zmq
    from monitor.errors import WitnessError

    if (options.csv is None) == (not options.feed) or len(options.feed) > 1:
        raise WitnessError("--propose needs either one --feed ENDPOINT (a ZeroMQ source) or --csv FILE.")
    if options.csv is not None:
        text = propose_from_csv(study, Path(options.csv))
    else:
        text = propose_from_zmq(study, options.feed[0], options.seconds, keys)
    return _write(options, "map", text)


def _write(options: argparse.Namespace, what: str, text: str) -> int:
    """Writes what is proposed; overwrites nothing."""
    from pathlib import Path

    from monitor.commands.shared.printing import print_json
    from monitor.named_files import write_new

    write_new(Path(options.propose), text)
    words = {
        "map": "a first channel map; look it over, every guess stands beside its reason",
        "triggers": "triggers as the scenario file has them; what cannot be told stands beside them as comments",
    }
    if options.json:
        print_json({"study": options.study, "ok": True, what: options.propose, "text": text})
    else:
        print(f"{options.propose}: {words[what]}")
    return 0

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
    parser.add_argument("--map", metavar="FILE", help="is this channel map right, too?")
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
    parser.add_argument("--csv", metavar="FILE", help="with --propose: the file to look at")
    parser.add_argument("--own-key", metavar="FILE", help="our secret CURVE key file")
    parser.add_argument("--simulator-key", metavar="FILE", help="the simulator's public CURVE key file")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.printing import harmless, print_json
    from monitor.connect.channel_map.loading import load_map
    from monitor.errors import FileFaults, WitnessError
    from monitor.feed.curve import CurveFiles
    from monitor.study.loading import load_study

    if (options.own_key is None) != (options.simulator_key is None):
        raise WitnessError("CURVE needs both --own-key and --simulator-key.")
    keys = CurveFiles(Path(options.own_key), Path(options.simulator_key)) if options.own_key else None
    try:
        study = load_study(options.study)
        channels = load_map(options.map) if options.map else None
        scenario = _load_scenario(options)
    except FileFaults as faults:
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
    document: dict[str, Any] = {
        "study": options.study,
        "ok": True,
        "faults": [],
        "cautions": [*study.cautions, *(channels.cautions if channels else ())],
        "name": study.name,
        "triggers": [trigger.name for trigger in study.triggers],
        "groups": list(study.groups),
    }
    if options.feed:
        from monitor.commissioning.check.further import check_feeds

        feed, sources = check_feeds(study, options.feed, options.seconds, keys)
        document["feed"] = feed.as_json()
        document["sources"] = [source.as_json() for source in sources]
        document["ok"] = feed.ok and all(source.ok for source in sources)
    scenario_lines = [] if scenario is None else _hold(options, study, scenario, document)
    if options.json:
        print_json(document)
    else:
        conditions = sum(len(trigger.conditions) for trigger in study.triggers)
        print(f"{options.study}: study {study.name}, {len(study.triggers)} triggers, {conditions} conditions, no fault")
        if channels is not None:
            names, rules = len(channels.names()), len(channels.markers)
            print(f"{options.map}: a channel map of {names} names and {rules} marker rules, no fault")
        for caution in document["cautions"]:
            print(f"  {caution}")
        if options.feed:
            lines = [line for source in sources for line in source.sentences()] + feed.sentences()
            print("\n".join(harmless(line) for line in lines))
        print("\n".join(harmless(line) for line in scenario_lines), end="\n" if scenario_lines else "")
    return 0 if document["ok"] else 1


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
    verdict = "nothing differs" if compared.ok else "script and study differ"
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

    from monitor.commands.printing import print_json
    from monitor.errors import WitnessError

    try:
        with Path(options.propose).open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise WitnessError(f"{options.propose} cannot be written: {error.strerror}; nothing is overwritten.") from error
    words = {
        "map": "a first channel map; look it over, every guess stands beside its reason",
        "triggers": "triggers as the scenario file has them; what cannot be told stands beside them as comments",
    }
    if options.json:
        print_json({"study": options.study, "ok": True, what: options.propose, "text": text})
    else:
        print(f"{options.propose}: {words[what]}")
    return 0

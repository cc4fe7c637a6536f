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
        "--propose", metavar="FILE", help="write a first channel map of a ZeroMQ source (--feed) or a file (--csv)"
    )
    parser.add_argument("--csv", metavar="FILE", help="with --propose: the file to look at")
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
    except FileFaults as faults:
        if options.json:
            print_json({"study": options.study, "ok": False, "faults": list(faults.faults), "cautions": []})
        else:
            print(faults)
        return 1
    if options.propose:
        return _propose(options, study, keys)
    kept = _freeze(options, study) if options.freeze else None
    document: dict[str, Any] = {
        "study": options.study,
        "ok": True,
        "faults": [],
        "cautions": [*study.cautions, *(channels.cautions if channels else ())],
        "name": study.name,
        "triggers": [trigger.name for trigger in study.triggers],
        "groups": list(study.groups),
        **({"frozen": {"sha256": kept.sha256, "when": kept.when, "after_looks": kept.after_looks}} if kept else {}),
    }
    if options.feed:
        from monitor.commissioning.check.further import check_feeds

        feed, sources = check_feeds(study, options.feed, options.seconds, keys)
        document["feed"] = feed.as_json()
        document["sources"] = [source.as_json() for source in sources]
        document["ok"] = feed.ok and all(source.ok for source in sources)
    if options.json:
        print_json(document)
    else:
        conditions = sum(len(trigger.conditions) for trigger in study.triggers)
        print(f"{options.study}: study {study.name}, {len(study.triggers)} triggers, {conditions} conditions, no fault")
        if channels is not None:
            names, rules = len(channels.names()), len(channels.markers)
            print(f"{options.map}: a channel map of {names} names and {rules} marker rules, no fault")
        if kept is not None:
            late = f"; {kept.after_looks} looks had been entered before" if kept.after_looks else ""
            print(f"frozen on {kept.when} by {harmless(kept.by)}, digest {kept.sha256}{late}")
        for caution in document["cautions"]:
            print(f"  {caution}")
        if options.feed:
            lines = [line for source in sources for line in source.sentences()] + feed.sentences()
            print("\n".join(harmless(line) for line in lines))
    return 0 if document["ok"] else 1


def _freeze(options: argparse.Namespace, study: Any) -> Any:
    """Enters the study's digest into the look file of the directory of records, which is made where it is not there."""
    from pathlib import Path

    from monitor.archive.looks import freeze
    from monitor.following.live import operator_name

    directory = Path(options.records)
    directory.mkdir(parents=True, exist_ok=True)
    return freeze(directory, options.by or operator_name(), study.name, study.sha256)


def _propose(options: argparse.Namespace, study: Any, keys: Any) -> int:
    """Writes a first map; overwrites nothing."""
    from pathlib import Path

    from monitor.commands.printing import print_json
    from monitor.commissioning.propose.proposal import propose_from_csv, propose_from_zmq
    from monitor.errors import WitnessError

    if (options.csv is None) == (not options.feed) or len(options.feed) > 1:
        raise WitnessError("--propose needs either one --feed ENDPOINT (a ZeroMQ source) or --csv FILE.")
    if options.csv is not None:
        text = propose_from_csv(study, Path(options.csv))
    else:
        text = propose_from_zmq(study, options.feed[0], options.seconds, keys)
    try:
        with Path(options.propose).open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise WitnessError(f"{options.propose} cannot be written: {error.strerror}; nothing is overwritten.") from error
    if options.json:
        print_json({"study": options.study, "ok": True, "map": options.propose, "text": text})
    else:
        print(f"{options.propose}: a first channel map; look it over, every guess stands beside its reason")
    return 0

"""`check`: the study file, and the feed, before the participant arrives."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("check", help="is the study file right, does the feed give what it needs?")
    parser.add_argument("--study", required=True, metavar="FILE")
    parser.add_argument("--feed", metavar="ENDPOINT", help="listen here and compare with what the study needs")
    parser.add_argument("--seconds", type=float, default=5.0, metavar="S", help="how long to listen (default: 5)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from monitor.commands.printing import print_json
    from monitor.errors import StudyFaults
    from monitor.following.checking import check_feed
    from monitor.study.loading import load_study

    try:
        study = load_study(options.study)
    except StudyFaults as faults:
        if options.json:
            print_json({"study": options.study, "ok": False, "faults": list(faults.faults), "cautions": []})
        else:
            print(faults)
        return 1
    document: dict[str, Any] = {
        "study": options.study,
        "ok": True,
        "faults": [],
        "cautions": list(study.cautions),
        "name": study.name,
        "triggers": [trigger.name for trigger in study.triggers],
        "groups": list(study.groups),
    }
    if options.feed:
        feed = check_feed(study, options.feed, options.seconds)
        document["feed"] = feed.as_json()
        document["ok"] = feed.ok
    if options.json:
        print_json(document)
    else:
        conditions = sum(len(trigger.conditions) for trigger in study.triggers)
        print(f"{options.study}: study {study.name}, {len(study.triggers)} triggers, {conditions} conditions, no fault")
        print("\n".join(f"  {caution}" for caution in study.cautions))
        if options.feed:
            print("\n".join(feed.sentences()))
    return 0 if document["ok"] else 1

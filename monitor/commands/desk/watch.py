"""`watch`: a live run, recorded, judged and shown; with --headless without a screen."""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    from monitor.commands.shared.planning import add_lot_options

    parser = subparsers.add_parser("watch", help="record, judge and show a live run", description=__doc__)
    parser.add_argument("--study", required=True, metavar="FILE")
    parser.add_argument(
        "--feed",
        required=True,
        action="append",
        metavar="ENDPOINT",
        help="such as tcp://simulator:5570; again for gaze, a task's tablet, an alert's sensor on other machines",
    )
    parser.add_argument("--participant", required=True, metavar="CODE")
    parser.add_argument("--group", metavar="NAME", help="the participant's alert group; else what the simulator says")
    parser.add_argument(
        "--group-words", metavar="TEXT", help="why the group is another one than the study's [assignment] gives"
    )
    add_lot_options(parser)
    parser.add_argument("--records", default="records", metavar="DIR", help="where records are kept (default: records)")
    parser.add_argument(
        "--second", metavar="DIR", help="on another disk: recording goes on here if the first one fails"
    )
    parser.add_argument("--own-key", metavar="FILE", help="our secret CURVE key file")
    parser.add_argument("--simulator-key", metavar="FILE", help="the simulator's public CURVE key file")
    add_following_options(parser)
    parser.add_argument("--until-end", action="store_true", help="stop at run_end, or after 30 s of silence (status 1)")


def say_others_on(feeds: list[str], records: Any) -> None:
    """Says of each run that is still being recorded from one of these feeds: it takes in the next drive, too."""
    from monitor.commands.shared.printing import say
    from monitor.recorder.running import find_running

    for one in find_running(records) if records.is_dir() else []:
        shared = sorted(set(feeds) & set(one.plan.feeds))
        if shared:
            say(
                f"{one.record.name} is still being recorded from {shared[0]} and will take in this drive, too; end it "
                f"first: trialwitness attach {one.record.name} --records {records}"
            )


def add_following_options(parser: argparse.ArgumentParser) -> None:
    """Options that `watch` and `demo` share."""
    parser.add_argument("--headless", action="store_true", help="no screen: print findings as they come")
    parser.add_argument("--json", action="store_true", help="with --headless: JSON on standard output")
    parser.add_argument("--by", metavar="WHO", help="who enters notes and rulings (default: the login name)")
    add_announce(parser)


def add_announce(parser: argparse.ArgumentParser) -> None:
    """For a lamp, a headset or a second display in the control room."""
    parser.add_argument(
        "--announce",
        metavar="ENDPOINT",
        help="tell faults and trials that wait there once a second, as JSON, such as tcp://127.0.0.1:5580; nothing may "
        "be commanded by it",
    )


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.interrupting import Interrupted, interruptible
    from monitor.commands.shared.listening import curve_files, refuse_feeds
    from monitor.commands.shared.live_run import Follower, say_it_goes_on, show_run, stream_run
    from monitor.commands.shared.planning import plan_run, say_how_far
    from monitor.commands.shared.printing import lost_output, say
    from monitor.connect.opened_feeds import OpenedFeeds
    from monitor.errors import WitnessError
    from monitor.following.beginning import Driving, Listening, begin_run, check_participant, enter_at_start
    from monitor.following.live import operator_name
    from monitor.study.loading import load_study

    study = load_study(options.study)
    check_participant(study, options.participant, options.group)
    if not options.headless:
        from monitor.screens.watch.running import refuse_without_terminal

        refuse_without_terminal()
    for caution in study.cautions:
        say(f"{options.study}: {caution}")
    options.by = options.by or operator_name()
    refuse_feeds(options.feed)  # before a lot is opened for this run
    curve_files(options)
    plan = plan_run(study, options)
    say_others_on(options.feed, Path(options.records))
    with interruptible(puts_off=True) as asked:  # else a run might begin that nobody follows, or says to go on
        begun = begin_run(
            study,
            Driving(options.participant, plan.group, options.stratum, plan.standing, plan.given.lot),
            Listening(OpenedFeeds(options.feed).endpoints, options.own_key, options.simulator_key),
            Path(options.records),
            second=Path(options.second) if options.second else None,
        )
        try:
            plan.bind(begun.record, options.by)
        except WitnessError as error:
            say(str(error))  # the record's own opening names the lot
        notes = [] if plan.note is None else [{"type": "note", "text": plan.note}]
        try:
            enter_at_start(begun, options.by or operator_name(), [*notes, *begun.found_before])
        except WitnessError as error:
            say(str(error))  # the run has begun, and a note is no reason to leave it
        follower = Follower(options.by, announce=options.announce)
        if options.headless:
            status = stream_run(begun, follower, asked, as_json=options.json, until_end=options.until_end)
        else:
            try:
                asked.let_go()
                status = show_run(begun, follower)
            except Interrupted:  # before the screen was there, which takes signals itself
                lost_output(lambda: say_it_goes_on(begun))
                raise
    if status < 128 and not begun.is_recorded:
        say_how_far(study, options)
    return status

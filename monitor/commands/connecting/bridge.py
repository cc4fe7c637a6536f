"""`bridge`: a foreign source, by its channel map, onto our feed; it mends its own connections."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.commands.shared.interrupting import asked_to_stop
    from monitor.connect.bridge import Bridge


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("bridge", help="a foreign source onto our feed", description=__doc__)
    parser.add_argument("--map", metavar="FILE", help="the channel map; see configs/channels-*.toml")
    parser.add_argument(
        "--lsl", metavar="NAME", help="instead of a map: a stream of the lab streaming layer, each channel a signal"
    )
    parser.add_argument(
        "--until-unheard", type=float, metavar="S", help="end when nobody has listened for so long (default: go on)"
    )
    parser.add_argument("--bind", required=True, metavar="ENDPOINT", help="where our feed is published: tcp://*:5570")
    parser.add_argument(
        "--also",
        action="append",
        default=[],
        metavar="FILE",
        help="the map of a further source, such as gaze; repeatable",
    )
    parser.add_argument("--source", metavar="ADDRESS", help="instead of the map's own connect or listen")
    parser.add_argument("--csv", metavar="FILE", help="the file, for a map of kind csv")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="of a file: times its pace; 0: at once")
    parser.add_argument("--wait", type=float, default=0.0, metavar="S", help="wait so long for a subscriber first")
    parser.add_argument("--own-key", metavar="FILE", help="our secret CURVE key file (feed and source)")
    parser.add_argument("--allowed", metavar="DIR", help="public CURVE key files of who may subscribe to the feed")
    parser.add_argument("--source-key", metavar="FILE", help="the ZeroMQ source's public CURVE key file")
    parser.add_argument("--json", action="store_true", help="one JSON object a line: bound, status each second, ended")


def run(options: argparse.Namespace) -> int:
    import contextlib
    import gc
    from pathlib import Path

    import zmq

    from monitor.commands.shared.interrupting import Interrupted, asked_to_stop
    from monitor.commands.shared.printing import say
    from monitor.connect.bridge import Bridge
    from monitor.connect.channel_map.loading import load_map
    from monitor.connect.sources.opening import Source, open_source
    from monitor.errors import WitnessError
    from monitor.feed.curve import CurveFiles

    if (options.own_key is None) != (options.allowed is None) and options.source_key is None:
        raise WitnessError("CURVE on the feed needs both --own-key and --allowed.")
    if options.speed < 0:
        raise WitnessError("--speed is times recorded pace; 0 does not wait at all.")
    if (options.map is None) == (options.lsl is None):
        raise WitnessError("bridge needs either --map FILE or --lsl NAME.")
    keys = None
    if options.source_key is not None:
        if options.own_key is None:
            raise WitnessError("--source-key needs --own-key beside it.")
        keys = CurveFiles(Path(options.own_key), Path(options.source_key))
    also = [load_map(path) for path in options.also]
    csv = Path(options.csv) if options.csv else None
    source: Source
    if options.lsl is not None:
        from monitor.connect.streams import map_of_stream

        channels, source = map_of_stream(options.lsl)
    else:
        channels = load_map(options.map)
        source = open_source(channels, at=options.source, csv=csv, speed=options.speed or None, keys=keys)
    opened = [source]
    try:
        opened += [open_source(one, at=None, csv=None, speed=None, keys=keys) for one in also]
        bridge = Bridge(
            channels,
            source,
            options.bind,
            further=list(zip(also, opened[1:], strict=True)),
            own_key=Path(options.own_key) if options.allowed else None,
            allowed_keys=Path(options.allowed) if options.allowed else None,
            lossless=csv is not None,
        )
    except (zmq.ZMQError, WitnessError) as error:
        for one_source in opened:
            one_source.close()
        if isinstance(error, WitnessError):
            raise
        raise WitnessError(f"{options.bind} cannot be published at: {error.strerror}.") from error
    for caution in channels.cautions:
        say(f"{channels.path}: {caution}")
    gc.collect()
    gc.freeze()  # what is there now stays: a collection looks at what a few samples left, and takes no milliseconds
    with asked_to_stop() as stop:
        bridge.publisher.while_waiting = stop.end_a_wait
        is_taken = None
        with contextlib.suppress(Interrupted):
            _bridge_on(bridge, options, stop)
            stop.only_waits = True
            is_taken = bridge.close()
        with contextlib.suppress(Interrupted):
            _say_the_end(bridge, options, stop, is_taken)
    return 0 if stop.number is None else 128 + stop.number


def _bridge_on(bridge: Bridge, options: argparse.Namespace, stop: asked_to_stop) -> None:
    """All until the feed is to be closed. Raises `Interrupted` where it is to be left at once."""
    from monitor.commands.shared.interrupting import Interrupted

    endpoint, source = bridge.publisher.endpoint, bridge.status().source
    try:
        bound = {"type": "bound", "endpoint": endpoint, "source": source}
        _tell(bound if options.json else f"{source} → {endpoint}", stop)
        _wait(bridge, options.wait, stop)
        _go_on(bridge, options.json, options.until_unheard, stop)
        bridge.drain()
    except Interrupted:
        if stop.at_once:
            raise


def _say_the_end(bridge: Bridge, options: argparse.Namespace, stop: asked_to_stop, is_taken: bool | None) -> None:
    """What was not taken, and what was done; `is_taken` None: it was not waited for. Whoever reads the one output may
    do so when the other one is gone."""
    from monitor.commands.shared.printing import harmless, lost_output, print_json, say
    from monitor.feed.publisher import cut_off, not_taken

    if is_taken is None:
        is_taken = not bridge.publisher.is_heard
        bridge.close(at_once=True)  # or the process would stay until a listener that stands still goes on
    if options.until_unheard is not None:
        return
    if not is_taken:
        unsent = cut_off if stop.at_once else not_taken
        lost_output(lambda: say(unsent(bridge.publisher.endpoint)))
    ended = {"type": "ended", **bridge.status().as_json(), "taken": is_taken}
    lost_output(lambda: print_json(ended) if options.json else say(harmless(bridge.status().sentence())))


def _tell(what: str | dict[str, Any], stop: asked_to_stop) -> None:
    """A sentence for people, or an object for a program. Where nobody can read it any more it is as with a signal: a
    bridge that nobody has before him ends in good order."""
    from monitor.commands.shared.printing import lost_output, print_json, say

    lost = lost_output(lambda: say(what) if isinstance(what, str) else print_json(what))
    if lost is not None:
        lost_output(lambda: say("Nobody can read what the bridge says any more: it ends."))
    stop.also_for(lost)


def _wait(bridge: Bridge, seconds: float, stop: asked_to_stop) -> None:
    """Waits for a subscriber."""
    import time

    deadline = time.monotonic() + seconds
    while stop.number is None and (left := deadline - time.monotonic()) > 0:
        if bridge.publisher.wait_for_subscriber(min(left, 0.2)):
            return
    if seconds and stop.number is None:
        _tell(f"Nobody has subscribed within {seconds:g} s; beginning all the same.", stop)


def _go_on(bridge: Bridge, as_json: bool, until_unheard_s: float | None, stop: asked_to_stop) -> None:
    """Bridges until the source has ended, nobody listens any longer, or somebody asks to stop; says what happens, once
    a second at most."""
    import time

    from monitor.commands.shared.printing import harmless

    told, told_s = "", time.monotonic()
    heard_s = told_s
    while not bridge.ended and stop.number is None:
        bridge.turn()
        if time.monotonic() - told_s < 1.0:
            continue
        told_s = time.monotonic()
        heard_s = told_s if bridge.publisher.is_heard else heard_s
        if until_unheard_s is not None and told_s - heard_s > until_unheard_s:
            return
        if until_unheard_s is not None:
            continue  # nobody reads what it would say: what it has to say stands in its hellos
        now = bridge.status()
        if as_json:
            _tell({"type": "status", **now.as_json()}, stop)
        elif (trouble := f"{now.refused} {now.absent} {now.lost // 100} {now.drives} {now.doubt}") != told:
            told = trouble
            _tell(harmless(now.sentence()), stop)

"""What a message costs by rate, vehicles and signals, and what a record costs by its triggers and its hours.

Proportional or better is asked: the last row of each table against its first, by what there is more of.
"""

from __future__ import annotations

import time

from monitor.judging.session import Session
from tests.benchmarks.feeds import messages
from tests.benchmarks.judging import following_ratio
from tests.benchmarks.measuring import Figure
from tests.judging.hand import STUDY, HandDrive, Mark, entries_of, opening_of, study_of
from tests.judging.test_repeated import WITHIN

SECONDS = 20.0
CASES = (
    (60.0, 0, 10),
    (60.0, 20, 10),
    (60.0, 60, 10),
    (60.0, 200, 10),
    (60.0, 20, 100),
    (60.0, 20, 300),
    (240.0, 20, 10),
    (240.0, 100, 100),
)
TRIGGERS = (10, 40, 100, 400)
TRIGGERS_HOURS = 1.0
HOURS = (0.1, 1.0, 8.0)
HAND_HZ = 20.0
FEW, MANY = 40, 400
EVENT_EVERY_S = 5.0
EVENT_BLOCKS = (20, 500)
"""Entries at a time: judged every other second, and read."""


def measure(rounds: int) -> list[Figure]:
    figures = []
    for rate_hz, vehicles, signals in CASES:
        sent = messages(vehicles, signals, rate_hz, SECONDS)
        size = sum(len(message[1]) for message in sent) / len(sent) / 1024
        name = f"{rate_hz:g} Hz, {vehicles} vehicles, {signals} signals ({size:.1f} KiB)"
        live = following_ratio(min(rounds, 3), sent, max(1, round(rate_hz / 10)))
        reading = following_ratio(min(rounds, 3), sent, 2048)
        share = tuple(us * rate_hz / 1e4 for us in live.ours_us)
        figures.append(Figure(f"{name}: followed live", share, "% core", remark=live.remark))
        figures.append(Figure(f"{name}: read", reading.speeds, "× bare", remark=reading.remark))
    return [*figures, *_by_triggers(), *_by_events(min(rounds, 3)), *_by_hours()]


def _by_triggers() -> list[Figure]:
    """One trigger that fires so many times in an hour, each fire with its alert, at 20 Hz with one vehicle."""
    seconds = 3600.0 * TRIGGERS_HOURS
    bare_s = _judged_s(_with_fires(0, seconds), 1)
    each_ms = {count: 1e3 * (_judged_s(_with_fires(count, seconds), count) - bare_s) / count for count in TRIGGERS}
    figures = [Figure(f"{count} triggers in an hour: judged", (ms,), "ms each") for count, ms in each_ms.items()]
    ratio = each_ms[TRIGGERS[-1]] / each_ms[TRIGGERS[1]]
    return [*figures, Figure(f"each of {TRIGGERS[-1]} against each of {TRIGGERS[1]}", (ratio,), "×", at_most=2.0)]


def _by_events(rounds: int) -> list[Figure]:
    """Events that surprise nobody, one every five seconds, every other one with its alert, held against a rule."""
    figures = []
    for size in EVENT_BLOCKS:
        pairs = [(_event_ms(FEW, size), _event_ms(MANY, size)) for _ in range(rounds)]
        name = f"an event of {MANY} against one of {FEW}, blocks of {size}"
        remark = f"{min(few for few, _ in pairs):.1f} ms against {min(many for _, many in pairs):.1f} ms"
        ratios = tuple(many / few for few, many in pairs)
        figures.append(Figure(name, ratios, "×", at_most=1.5, remark=remark))
    return figures


def _event_ms(number: int, size: int) -> float:
    """Processor milliseconds for each trial of a drive with so many events, one every five seconds."""
    events = [4.0 + EVENT_EVERY_S * place for place in range(number)]
    alerts = [t + 0.3 for t in events[::2]]
    markers: list[Mark] = [(t, "trigger", "slows", {}) for t in events]
    markers += [(t, "alert_on", "a", {"modality": "sound", "measured": True}) for t in alerts]
    markers += [(t + 0.5, "alert_off", "a", {"modality": "sound", "measured": True}) for t in alerts]
    drive = HandDrive(
        rate_hz=HAND_HZ,
        fire_t=None,
        group="AB",
        end_t=events[-1] + 4.5,
        markers=sorted(markers, key=lambda one: one[0]),
        signals=lambda t: {"pulse": float(t > 3.99 and (t - 4.0 + 1e-6) % EVENT_EVERY_S < 0.5)},
    )
    entries = entries_of(drive)
    study = study_of(WITHIN.replace("expected = 5", 'expected = "any"'))
    session = Session(study, opening_of(study, group="AB"))
    begun = time.process_time()
    for first in range(0, len(entries), size):
        session.take(entries[first : first + size])
    trials = session.trials()
    took_s = time.process_time() - begun
    if [trial.verdict for trial in trials] != ["valid"] * number:
        raise RuntimeError("not every event is a valid trial")
    return 1e3 * took_s / number


def _by_hours() -> list[Figure]:
    """A drive of so many hours with four fires in each, at 20 Hz with one vehicle."""
    each_us = {}
    for hours in HOURS:
        fires = max(round(4 * hours), 1)
        each_us[hours] = 1e6 * _judged_s(_with_fires(fires, 3600.0 * hours), fires) / (3600.0 * hours * HAND_HZ)
    figures = [Figure(f"a drive of {hours:g} h: judged", (us,), "µs/frame") for hours, us in each_us.items()]
    ratio = each_us[HOURS[-1]] / each_us[HOURS[1]]
    return [*figures, Figure(f"a frame of {HOURS[-1]:g} h against one of {HOURS[1]:g} h", (ratio,), "×", at_most=1.2)]


def _with_fires(count: int, seconds: float) -> HandDrive:
    times = [(place + 1) * seconds / (count + 1) for place in range(count)]
    marks = [(t, "trigger", "gate-brake", dict[str, object]()) for t in times]
    marks += [(t + 0.3, "alert_on", "alert", {"modality": "sound", "measured": True}) for t in times]
    return HandDrive(
        rate_hz=HAND_HZ, end_t=seconds, fire_t=None, markers=sorted(marks, key=lambda one: one[0]), brake_mps2=0.0
    )


def _judged_s(drive: HandDrive, fires: int) -> float:
    """Processor time to judge a drive, in seconds."""
    entries = entries_of(drive)
    study = study_of(STUDY.replace('name = "gate-brake"', f'name = "gate-brake"\nexpected = {fires}', 1))
    session = Session(study, opening_of(study))
    began_s = time.process_time()
    for first in range(0, len(entries), 2048):
        session.take(entries[first : first + 2048])
    session.trials()
    return time.process_time() - began_s

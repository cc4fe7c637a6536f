"""An outlet of the lab streaming layer as a program of its own: lsl_outlet.py NAME SOURCE_ID KIND SECONDS [HOLE].

KIND gaze: 100 samples a second, channels on_road, pulses and device_time, with labels. on_road is 0 from 2.0 to 3.0 s
of every 4 s; pulses counts the seconds; device_time is a clock of its own that drifts by 2e-4. KIND texts: a text each
half second, "sync pulse" or "hello N". KIND uneven: as gaze, with no rate stated and every third sample late by 4 ms;
seldom: the same with a sample each half second. HOLE: pushes nothing from second 8 to 8 + HOLE, as if samples had been
lost.
It prints the layer's clock at its begin, and then stands by until its input is closed or SECONDS are over.
"""

from __future__ import annotations

import sys
import time

import pylsl

RATE_HZ = 100


def main() -> None:
    name, source_id, kind, seconds = sys.argv[1:5]
    hole_s = float(sys.argv[5]) if len(sys.argv) > 5 else 0.0
    texts = kind == "texts"
    info = pylsl.StreamInfo(
        name,
        "Markers" if texts else "Gaze",
        1 if texts else 3,
        RATE_HZ if kind == "gaze" else pylsl.IRREGULAR_RATE,
        "string" if texts else "double64",
        source_id,
    )
    channels = info.desc().append_child("channels")
    for label in [] if texts else ["on_road", "pulses", "device_time"]:
        channels.append_child("channel").append_child_value("label", label)
    outlet = pylsl.StreamOutlet(info)
    begun = pylsl.local_clock()
    print(begun, flush=True)
    step = 0
    rate_hz = 2 if texts or kind == "seldom" else RATE_HZ
    while (at := step / rate_hz) < float(seconds):
        at += 0.004 if kind == "uneven" and step % 3 == 0 else 0.0
        time.sleep(max(begun + at - pylsl.local_clock(), 0.0))
        if texts:
            outlet.push_sample(["sync pulse" if step % 2 == 0 else f"hello {step}"], begun + at)
        elif not 8.0 <= at < 8.0 + hole_s:
            device = 500.0 + at * (1 + 2e-4)
            outlet.push_sample([float(not 2.0 <= at % 4 < 3.0), float(int(at)), device], begun + at)
        step += 1


if __name__ == "__main__":
    main()

"""A simulator, or gaze, as a process of its own: publishes a drive written by hand at a multiple of real time.

two_machines.py simulator|gaze SPEED MARKS UNTIL: prints where it is bound, waits for a subscriber and for a line with
the monotonic time at which the drive begins. MARKS: yes or no. UNTIL: when the eyes come back to the road.
"""

import json
import sys
import time

import zmq

from tests.judging.hand import HandDrive, Mark
from tests.judging.handsource import HandSource

who, speed, marks, until = sys.argv[1], float(sys.argv[2]), sys.argv[3] == "yes", float(sys.argv[4])
SYNC: list[Mark] = [(t, "sync", "pulse", {}) for t in (1.0, 5.0, 9.0, 13.0)] if marks else []
ALERT = (10.3, "alert_on", "alert", {"modality": "sound", "measured": True})
messages = (
    HandDrive(end_t=16.0, markers=[*SYNC, ALERT]).messages()
    if who == "simulator"
    else HandSource(
        end_t=16.5,
        clock=lambda t: t + 0.4 + 1e-4 * t,
        signals=lambda t: {"on_road": not 8.0 <= t < until, "angle": 5.0},
        names={"on_road": "", "angle": "deg"},
        marks=SYNC,
    ).messages()
)
context = zmq.Context()
feed = context.socket(zmq.XPUB)
feed.bind("tcp://127.0.0.1:*")
print(json.dumps({"endpoint": feed.get_string(zmq.LAST_ENDPOINT).rstrip("\0")}), flush=True)
while b"frame" not in feed.recv():
    pass
print("subscribed", flush=True)
begins = float(sys.stdin.readline())
for t, frames in messages:
    time.sleep(max(begins + t / speed - time.monotonic(), 0.0))
    feed.send_multipart(frames)
time.sleep(0.5)  # the last messages are on their way
context.destroy(linger=1000)

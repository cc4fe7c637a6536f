"""`python -m monitor.recorder`: a recorder process. Plan as JSON on standard input; one line of JSON back.

That line is {"ready": true, "pid"} or {"ready": false, "why": sentence}. After it standard output and error go to
`recorder.log` in the record. Exit status: 0 closed; 2 could not begin; 70 a fault of the program (the record stays
unclosed, to be gone on with); 75 did not end in time; 128+n closed after signal n.
"""

from __future__ import annotations

import faulthandler
import gc
import json
import os
import sys
import traceback
from pathlib import Path

from monitor.errors import WitnessError
from monitor.recorder.plan import RecorderPlan, plan_from_json
from monitor.recorder.process import Recorder
from monitor.recorder.running import LOG_NAME
from monitor.recorder.signals import SignalWatch

FAULT_STATUS = 70


def main() -> int:
    """Runs a recorder until its record is closed; returns the exit status."""
    starter = os.dup(1)
    try:
        plan = plan_from_json(sys.stdin.read())
        recorder = Recorder(plan)
    except WitnessError as error:
        _say(starter, {"ready": False, "why": str(error)})
        return error.exit_code
    watch = SignalWatch(lambda: recorder.stop(f"the recorder got signal {watch.signal}"))
    _write_to_log(plan)
    _say(starter, {"ready": True, "pid": os.getpid()})
    gc.collect()
    gc.freeze()
    gc.disable()  # the recorder collects by hand between two beats: no pause of unknown length inside the intake
    try:
        digest = recorder.run()
    except Exception:  # whatever it is, the record must stay unclosed, and the next recorder goes on with it
        traceback.print_exc()
        return FAULT_STATUS
    print(f"closed, digest {digest}", flush=True)
    return 0 if watch.signal is None else 128 + watch.signal


def _say(starter: int, fields: dict[str, object]) -> None:
    """Tells whoever started us, and lets go of the pipe to them."""
    try:
        os.write(starter, json.dumps(fields).encode() + b"\n")
        os.close(starter)
    except OSError:
        pass  # they are gone; the run is recorded all the same


def _write_to_log(plan: RecorderPlan) -> None:
    """Standard output and error; nothing of the starter's terminal is held any longer."""
    for path in (Path(plan.record) / LOG_NAME, Path(os.devnull)):
        try:
            log = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            break
        except OSError:
            continue
    os.dup2(log, 1)
    os.dup2(log, 2)
    os.close(log)
    faulthandler.enable()
    print(f"recorder {os.getpid()}: feeds {', '.join(plan.feeds)}", flush=True)


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    os._exit(status)  # no thread of a library may hold up the end: everything that matters is closed

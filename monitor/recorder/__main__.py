"""`python -m monitor.recorder`: a recorder process. Plan as JSON on standard input; one line of JSON back.

That line is {"ready": true, "pid"} or {"ready": false, "why": sentence}. After it standard output and error go to
`recorder.log` in the record. Exit status: 0 closed; 2 could not begin; 70 a fault of the program (the record stays
unclosed, to be gone on with); 74 ended with entries that no disk took; 75 did not end in time; 128+n closed after
signal n.
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
from monitor.record.entries import EntryKind, unpack_map
from monitor.recorder.plan import RecorderPlan, plan_from_json
from monitor.recorder.process import Recorder
from monitor.recorder.running import LOG_NAME
from monitor.recorder.signals import SignalWatch, log

FAULT_STATUS = 70
UNSAVED_STATUS = 74


def main() -> int:
    """Runs a recorder until its record is closed; returns the exit status."""
    starter = os.dup(1)
    try:
        plan = plan_from_json(sys.stdin.read())
        recorder = Recorder(plan)
    except WitnessError as error:
        _say(starter, {"ready": False, "why": str(error)})
        return error.exit_code
    watch = SignalWatch(
        lambda: recorder.stop(f"the recorder got signal {watch.signal}", at_once=True), plan.timing.signal_s
    )
    _write_to_log(plan)
    _say(starter, {"ready": True, "pid": os.getpid()})
    gc.collect()
    gc.freeze()
    gc.disable()  # the recorder collects by hand between two beats: no pause of unknown length inside the intake
    try:
        ended = recorder.run()
    except Exception:  # whatever it is, the record must stay unclosed, and the next recorder goes on with it
        log(traceback.format_exc())
        return FAULT_STATUS
    if ended.unsaved:
        log(f"ended with {len(ended.unsaved)} entries that no disk took; those of the operator:")
        for entry in ended.unsaved:
            if entry.kind == EntryKind.OPERATOR:
                log(f"{entry.number}: {unpack_map(entry.payload)}")
        return UNSAVED_STATUS
    log(f"closed, digest {ended.digest}")
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
            file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            break
        except OSError:
            continue
    os.dup2(file, 1)
    os.dup2(file, 2)
    os.close(file)
    faulthandler.enable()
    log(f"recorder {os.getpid()}: feeds {', '.join(plan.feeds)}")


if __name__ == "__main__":
    status = main()
    os._exit(status)  # no thread of a library may hold up the end: everything that matters is closed

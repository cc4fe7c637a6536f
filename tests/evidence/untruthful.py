"""Untruthful and clean drives judged, and what is wrong with a verdict: `python tests/evidence/untruthful.py 0 2000`.

With `--clean` clean drives in rooms with realistic noise; with `--jobs N` on several cores; with `--into FILE` it goes
on where it was stopped.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from monitor.judging.case.trial import ConditionResult, Trial
from monitor.judging.rules.timing_evidence import ALONE
from monitor.judging.session import Session
from tests.evidence.scenes import Scene, Truth, draw_scene, entries_of, opening_of, study_for
from tests.evidence.untruths import any_room, untruthful


@dataclass(frozen=True)
class Judged:
    """A scene's trial beside its truth. `wrong`: what should not have been said; empty where all is in order."""

    seed: int
    truth: Truth
    trial: Trial
    wrong: str

    def words(self) -> str:
        """All of it on one line."""
        findings = "; ".join(f"{one.code}: {one.sentence}" for one in self.trial.findings)
        return f"seed {self.seed}: {self.wrong or self.trial.verdict}: {self.truth}: {findings}"


def judge_scene(scene: Scene, seed: int) -> Judged:
    """The first trial of a scene, judged from its entries."""
    study = study_for(scene)
    session = Session(study, opening_of(scene, study))
    session.take(entries_of(scene, study))
    trial = session.trials()[0]
    return Judged(seed, scene.truth, trial, _wrong(scene, trial))


def _wrong(scene: Scene, trial: Trial) -> str:
    truth = scene.truth
    if truth.whole_body:
        return ""  # nothing in a feed can tell
    if truth.fault == "marker_time" and not scene.room.lanes:
        # the marker is the only one to tell when it fired, and its trial says that
        return "" if trial.timing.result == "not stated" else "a timing without a rule"
    if trial.verdict == "invalid" and not truth.violated:
        failing = [one for one in trial.conditions if one.required and one.result == "not met"]
        doubted = any(one.code == "channels-disagree" for one in trial.findings)
        unchecked = [one for one in failing if _is_unchecked(one, doubted)]
        voids = [one for one in trial.findings if one.severity == "void" and ALONE not in one.sentence]
        if voids or len(unchecked) < len(failing):
            return "invalid, and all was truly met"
    if trial.verdict == "valid":
        for name in truth.violated:
            found = next((one for one in trial.conditions if one.name == name), None)
            if found is None or found.evidence is None:
                return f"valid, and {name} was violated"
            told, true = found.evidence, truth.values.get(name)
            if not told.by or told.noticed_from is None or found.value is None or true is None:
                continue  # it says that no limit can be told
            if abs(found.value - true) > told.noticed_from:
                return f"valid, and {name} was violated by more than would have shown"
    return ""


def _is_unchecked(condition: ConditionResult, told: bool) -> bool:
    """Whether a condition says that nothing would have shown a lasting error of it; `told`: something did."""
    evidence = condition.evidence
    return evidence is not None and (not evidence.by or (evidence.noticed_from is None and not told))


def judge_untruthful(seed: int) -> Judged:
    """The untruthful drive of a seed."""
    return judge_scene(untruthful(seed), seed)


ACCEPTED = """
[[accepted]]
of = "own"
channel = "lane_offset"
kind = "offset"
size = 0.15
by = "MK"
[[accepted]]
of = "others"
channel = "accel"
kind = "not filled"
by = "MK"
[[accepted]]
of = "own"
channel = "station"
kind = "steps"
size = 0.5
by = "MK"
[[accepted]]
of = "others"
channel = "station"
kind = "steps"
size = 0.5
by = "MK"
"""


def _differing(scene: Scene) -> Scene:
    """The drive in a room whose lane offset has another reference, whose traffic has no acceleration, and whose
    stations are stitched; all of it was accepted, and the study looks at the van's speed."""
    scene.own.channels["lane_offset"] = scene.own.channels["lane_offset"] + 0.15
    scene.van.channels["accel"] = np.zeros(len(scene.van.t))
    scene.beside.channels["accel"] = np.zeros(len(scene.beside.t))
    return replace(scene, accepted=ACCEPTED, van_slows=True)


def clean_drive(seed: int, *, differs: bool = False) -> Judged:
    """A clean drive in a room with realistic noise: 0.05 m/s and 3 cm, jitter of 2 ms, ticks of 10 and 15.6 ms.

    `differs`: the room has constant differences that were accepted at a rehearsal.
    """
    rng = np.random.default_rng([seed, 17])
    clock = seed % 4
    room = any_room(
        rng,
        speed_noise=0.05,
        place_noise=0.03,
        tick_s=(0.0, 0.01, 0.0156, 0.0)[clock],
        jitter_s=0.002 if clock == 3 else 0.0,
        rate_hz=float((20.0, 30.0, 60.0, 100.0)[int(rng.integers(4))]),
        lanes=True,
        pedals=True,
        seam_m=0.35 if differs else 0.0,
    )
    scene = draw_scene(seed, room, clean=True)
    return judge_scene(_differing(scene) if differs else scene, seed)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("stop", type=int)
    parser.add_argument("--clean", action="store_true", help="clean drives")
    parser.add_argument(
        "--differs", action="store_true", help="clean drives with constant differences that were accepted"
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--into", metavar="FILE", help="a line a drive goes here; those in it are not run again")
    options = parser.parse_args()
    clean = options.clean or options.differs
    told = _read(options.into)
    judge = partial(clean_drive, differs=options.differs) if clean else judge_untruthful
    seeds = [seed for seed in range(options.first, options.stop) if seed not in told]
    with ProcessPoolExecutor(options.jobs) as pool:
        for one in pool.map(judge, seeds, chunksize=10 if options.jobs > 1 else 1):
            what = f"{'violated' if one.truth.violated else 'truly met'}, {one.trial.verdict}"
            wrong = one.wrong or ("clean and not valid" if clean and one.trial.verdict != "valid" else "")
            told[one.seed] = {"seed": one.seed, "what": what, "wrong": wrong, "words": one.words() if wrong else ""}
            if options.into:
                with open(options.into, "a", encoding="utf-8") as file:
                    file.write(json.dumps(told[one.seed]) + "\n")
    kept = [line for seed, line in sorted(told.items()) if options.first <= seed < options.stop]
    for line in kept:
        if line["wrong"]:
            print(line["words"])
    for words, count in sorted(Counter(line["wrong"] or line["what"] for line in kept).items()):
        print(f"{count:6d}  {words}")
    return 0


def _read(path: str | None) -> dict[int, dict[str, Any]]:
    """What an earlier run wrote down, by seed."""
    if path is None or not Path(path).exists():
        return {}
    lines = [json.loads(line) for line in Path(path).read_text(encoding="utf-8").splitlines()]
    return {one["seed"]: one for one in lines}


if __name__ == "__main__":
    sys.exit(main())

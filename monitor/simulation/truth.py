"""The truth file: what was injected into a drive, and what really happened. The monitor never reads it."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.named_files import refuse_other_kinds
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import Truth


def truth_document(plan: SimulationPlan, truth: Truth, *, ended: bool) -> dict[str, Any]:
    """The truth as plain values; infinite numbers ("never") become null."""
    document = {
        "run": plan.run,
        "scenario": plan.scenario,
        "words": plan.about.scenarios[plan.scenario],
        "seed": plan.seed,
        "rate_hz": plan.rate_hz,
        "group": plan.group,
        "participant": plan.participant,
        "ended": ended,
        "injected": truth.deviations,
        "fires": truth.fires,
        "events": truth.events,
        "response": truth.response,
    }
    plain: dict[str, Any] = _plain(document)
    return plain


def write_truth(path: Path, plan: SimulationPlan, truth: Truth, *, ended: bool) -> None:
    """Writes the document as JSON; a reader finds the whole file or none. Raises `WitnessError` where it cannot."""
    text = json.dumps(truth_document(plan, truth, ended=ended), indent=1)
    beside = path.with_name(path.name + ".new")
    try:
        if path.exists():
            refuse_other_kinds(path.stat().st_mode, path)  # /dev/null is not to be replaced
        beside.write_text(text + "\n", encoding="utf-8")
        os.replace(beside, path)
    except OSError as error:
        raise WitnessError(f"The truth file {path} cannot be written ({error.strerror}); give another path.") from error


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if hasattr(value, "__slots__"):
        return {name: _plain(getattr(value, name)) for name in value.__slots__}
    return value

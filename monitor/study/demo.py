"""The demo's study: configs/dusk-road.toml, from the checkout or from the installed package (one file, one truth)."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from monitor.study.loading import parse_study
from monitor.study.model import Study

DEMO_PARTICIPANT = "Q01"
DEMO_GROUP = "chime"
DEMO = "dusk-road"
EXERCISE = "drill"
_CHECKOUT = Path(__file__).resolve().parents[2] / "configs"


def demo_study(kind: str = DEMO) -> Study:
    """The study of the demo, that of the exercise, or that of another kind of study (configs/kinds/).

    The wheel carries configs/ as the package `monitor.demo_configs` (see pyproject.toml).
    """
    steps = (f"{kind}.toml",) if kind in (DEMO, EXERCISE) else ("kinds", f"{kind}.toml")
    path = _CHECKOUT.joinpath(*steps)
    if path.is_file():
        return parse_study(path.read_text(encoding="utf-8"), str(path))
    inside = files("monitor.demo_configs").joinpath(*steps)
    return parse_study(inside.read_text(encoding="utf-8"), "/".join(steps))

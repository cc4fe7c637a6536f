"""The demo's study: configs/dusk-road.toml, from the checkout or from the installed package (one file, one truth)."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from monitor.study.loading import parse_study
from monitor.study.model import Study

DEMO_PARTICIPANT = "Q01"
DEMO_GROUP = "chime"
_NAME = "dusk-road.toml"
_CHECKOUT = Path(__file__).resolve().parents[2] / "configs" / _NAME


def demo_study() -> Study:
    """The study of the demo. The wheel carries configs/ as the package `monitor.demo_configs` (see pyproject.toml)."""
    if _CHECKOUT.is_file():
        return parse_study(_CHECKOUT.read_text(encoding="utf-8"), str(_CHECKOUT))
    inside = files("monitor.demo_configs") / _NAME
    return parse_study(inside.read_text(encoding="utf-8"), _NAME)

"""The wheel's list of packages is the folders of `monitor/` and the mapping of configs/."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def test_the_list_of_packages_is_the_folders() -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    folders = {".".join(path.parent.relative_to(ROOT).parts) for path in (ROOT / "monitor").rglob("*.py")}
    assert set(listed) == folders | {"monitor.demo_configs"}
    assert list(listed) == sorted(listed)


def test_nothing_else_stands_at_the_top() -> None:
    permitted = {"README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "tests", "replay_fixtures", "configs"}
    ignored = {"build", "dist", "records", "snapshot_report.html"}  # made by tests and tools, none of them committed
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".") and path.suffix != ".egg-info"}
    assert found - ignored == permitted

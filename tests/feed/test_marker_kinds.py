"""The table of marker kinds against the contract, and that no module keeps a second list of kinds."""

from __future__ import annotations

import ast
from pathlib import Path

import monitor
from monitor.feed.marker_kinds import BEGUN_BY, KINDS, word_on_plot

CONTRACT = (
    "run_start run_end pause resume abort trigger alert_on alert_off task_start task_item task_end collision sync other"
)


def test_the_kinds_are_those_of_the_contract_in_its_order() -> None:
    assert list(KINDS) == CONTRACT.split()
    assert BEGUN_BY == {"resume": "pause", "alert_off": "alert_on", "task_end": "task_start"}
    assert {kind for kind, row in KINDS.items() if word_on_plot(row) == "alert"} == {"alert_on", "alert_off"}
    # who fires, is alerted or told a task shows in no response; the end of each may
    assert KINDS["collision"].reveals
    assert not KINDS["trigger"].reveals


def test_no_other_module_lists_three_kinds_or_more() -> None:
    root = Path(monitor.__file__).parent
    lists = [
        f"{file.relative_to(root)}: {ast.unparse(node)}"
        for file in sorted(root.rglob("*.py"))
        if file.name != "marker_kinds.py" and file.parent.name != "simulation"
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Tuple | ast.List | ast.Set | ast.Dict)
        if len({one.value for one in ast.walk(node) if isinstance(one, ast.Constant) and one.value in NOT_WORDS}) >= 3
    ]
    assert lists == []


NOT_WORDS = {kind for kind in KINDS if "_" in kind}
"""Kinds that are no words of everyday speech, so that no list of other things is taken for one of kinds."""

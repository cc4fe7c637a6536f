"""Tests that draw pages need a browser: where there is none they are not collected, and the summary says so."""

from __future__ import annotations

import pytest

from tests.reports.browsing import BROWSER

collect_ignore = [] if BROWSER else ["test_pages_in_a_browser.py"]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not BROWSER:
        terminalreporter.write_line("No browser was found: tests/reports/test_pages_in_a_browser.py was left out.")

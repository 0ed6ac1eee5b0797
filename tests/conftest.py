"""Shared fixtures, and the count of checks against the outside world."""

import pytest


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say how many passed tests compare with a published value or an independent library."""
    passed = terminalreporter.stats.get("passed", [])
    count = sum("published" in report.keywords for report in passed)
    terminalreporter.write_line(f"{count} tests compared with a published or library value")

"""Shared fixtures, and what the run tells at its end."""

from collections.abc import Callable

import pytest

TOLD = "told"


@pytest.fixture
def tell(record_property: Callable[[str, object], None]) -> Callable[[str], None]:
    """Keep a sentence of evidence (a count) for the end of the run."""
    return lambda sentence: record_property(TOLD, sentence)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what tests told, and how many compare with a published value or an independent library."""
    passed = terminalreporter.stats.get("passed", [])
    for report in passed:
        for name, sentence in report.user_properties:
            if name == TOLD:
                terminalreporter.write_line(str(sentence))
    count = sum("published" in report.keywords for report in passed)
    terminalreporter.write_line(f"{count} tests compared with a published or library value")

"""The sub-commands are found by name, and each imports what it needs alone."""

import subprocess
import sys

from service.cli import main

LOADED = """
import sys
from service.cli import main
main.commands["terminology"]
print(*sorted({"fastapi", "uvicorn", "httpx", "asyncpg"}.intersection(sys.modules)))
main.commands["serve"]
print(*sorted({"fastapi", "uvicorn", "httpx", "asyncpg"}.intersection(sys.modules)))
"""


def test_each_is_called_what_it_is_found_by() -> None:
    assert [name for name in main.commands if main.commands[name].name != name] == []
    assert len(main.commands) == len({*main.commands})


def test_upkeep_does_not_import_the_service_nor_the_service_a_client_nobody_asked_for() -> None:
    command = [sys.executable, "-c", LOADED]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout  # noqa: S603 - our own
    assert told.splitlines() == ["", "fastapi uvicorn"]

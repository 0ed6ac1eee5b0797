"""Shared fixtures, and what the run tells at its end."""

import os
import shutil
import subprocess
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest
from conformance.table import FAILS, PASSES, table
from databases import AnyLoop, database, emptying, server
from hypothesis import settings

from service.security.development_issuer import KEY_FILE, DevelopmentIssuer
from service.store.contract import Store
from service.store.sqlite import SqliteStore

settings.register_profile("untimed", deadline=None)  # a slow machine is no fault of what is tested
settings.load_profile("untimed")

COLLECTED = pytest.StashKey[tuple[pytest.Item, ...]]()
TOLD = "told"
CONFORMANCE = "conformance"
WAITING = {"faults", "system", "page", "clients", "cli"}
MEMORY, ENOUGH = Path("/dev/shm"), 4 << 30  # noqa: S108 - pytest makes a folder of its own there


def pytest_configure() -> None:
    """Keep the tests' folders in memory where there is room: a store flushes to disk before it answers."""
    if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ENOUGH:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--conformance", type=Path, help="write the table of the standard's rows to this file")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(session: pytest.Session, items: list[pytest.Item]) -> None:
    """Let a test's report tell which rows of the standard it shows, also across processes.

    What waits for other processes comes first: so nobody waits for a long file at the end.
    """
    session.stash[COLLECTED] = tuple(items)
    items.sort(key=lambda item: item.path.parent.name not in WAITING)
    for item in items:
        rows = [row for mark in item.iter_markers(CONFORMANCE) for row in mark.args]
        if rows:
            item.user_properties.append((CONFORMANCE, rows))


@pytest.fixture
def tell(record_property: Callable[[str, object], None]) -> Callable[[str], None]:
    """Keep a sentence of evidence (a count) for the end of the run."""
    return lambda sentence: record_property(TOLD, sentence)


@pytest.fixture(scope="session")
def key_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one signing key for all tests; making one takes longer than most of them."""
    folder = tmp_path_factory.mktemp("issuer")
    DevelopmentIssuer(folder)
    return folder / KEY_FILE


@pytest.fixture(scope="session")
def issuer(key_file: Path) -> DevelopmentIssuer:
    """Signs with the key that services get a copy of."""
    return DevelopmentIssuer(key_file.parent)


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """Address of a PostgreSQL server, without a database's name."""
    with server() as url:
        yield url


@pytest.fixture(scope="session")
def _database(postgres_server: str) -> Iterator[tuple[str, Callable[[], None]]]:
    """The address of a database, and what empties it."""
    with database(postgres_server) as url, emptying(url) as empty:
        yield url, empty


@pytest.fixture
def database_url(_database: tuple[str, Callable[[], None]]) -> str:
    """Address of a PostgreSQL database with nothing in it."""
    url, empty = _database
    empty()
    return url


@pytest.fixture(params=["sqlite", "postgres"])
def opening(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[Callable[[], datetime]], Store]:
    """Open the same database of one engine, again and again, with a clock; the caller closes it."""
    if request.param == "sqlite":
        return lambda clock: SqliteStore(tmp_path / "store.sqlite", clock=clock)
    url = request.getfixturevalue("database_url")
    return lambda clock: AnyLoop(url, clock)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what tests told, and how many compare with a published value or an independent library."""
    passed = terminalreporter.stats.get("passed", [])
    for report in passed:
        for name, sentence in report.user_properties:
            if name == TOLD:
                terminalreporter.write_line(str(sentence))
    count = sum("published" in report.keywords for report in passed)
    terminalreporter.write_line(f"{count} tests compared with a published or library value")


def pytest_collection_finish(session: pytest.Session) -> None:
    """Write the table without results when tests are only listed."""
    if session.config.option.collectonly and session.config.option.conformance:
        session.config.option.conformance.write_text(_without_results(session), "utf-8")


@pytest.fixture(scope="session")
def table_of_marks(
    pytestconfig: pytest.Config, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> str:
    """The table without results, of all tests, whatever part of them runs."""
    root = pytestconfig.rootpath
    if [Path(one).absolute() for one in pytestconfig.args] == [root / "tests"]:
        return _without_results(request.session)
    file = tmp_path_factory.mktemp("table") / "rows.md"
    words = [sys.executable, "-m", "pytest", "--collect-only", "-q", f"--conformance={file}"]
    subprocess.run(words, cwd=root, check=True, capture_output=True, timeout=600)  # noqa: S603 - our own words
    return file.read_text("utf-8")


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Write the table of a run, in the process that has every report."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if session.config.option.conformance and reporter and not session.config.option.collectonly:
        shown = (
            (report.nodeid, PASSES if result == "passed" else FAILS, dict(report.user_properties))
            for result in ("passed", "failed", "error")
            for report in reporter.stats.get(result, [])
            if isinstance(report, pytest.TestReport)
        )
        session.config.option.conformance.write_text(table(_by_row(shown)), "utf-8")


def _without_results(session: pytest.Session) -> str:
    shown = ((item.nodeid, PASSES, dict(item.user_properties)) for item in session.stash[COLLECTED])
    return table(_by_row(shown))


def _by_row(shown: Iterator[tuple[str, str, dict[str, list[str]]]]) -> dict[str, dict[str, str]]:
    """Row -> test function -> result; one case that fails fails its function."""
    found: dict[str, dict[str, str]] = defaultdict(dict)
    for node, result, told in shown:
        name = node.partition("[")[0].removeprefix("tests/")
        for row in told.get(CONFORMANCE, ()):
            found[row][name] = FAILS if FAILS in (result, found[row].get(name)) else PASSES
    return found

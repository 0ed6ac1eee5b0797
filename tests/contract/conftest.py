import asyncio
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from service.store.sqlite import SqliteStore


def _sqlite(tmp_path, clock):
    return SqliteStore(tmp_path / "store.sqlite", clock=clock)


ENGINES = {"sqlite": _sqlite}
"""Every store there is; the whole suite runs on each."""


class Clock:
    """Stands still until told otherwise."""

    def __init__(self) -> None:
        self.now = datetime(2026, 2, 4, 10, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture(params=list(ENGINES))
def open_store(request, tmp_path, clock):
    """A function that opens the same store again and again; each is closed when its block ends."""

    @contextmanager
    def opened():
        store = ENGINES[request.param](tmp_path, clock)
        try:
            yield store
        finally:
            asyncio.run(store.close())

    return opened


@pytest.fixture
def store(open_store):
    with open_store() as store:
        yield store

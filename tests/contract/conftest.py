import asyncio
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest


class Clock:
    """Stands still until told otherwise."""

    def __init__(self) -> None:
        self.now = datetime(2026, 2, 4, 10, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **time) -> None:
        self.now += timedelta(**time)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def open_store(opening, clock):
    """A function that opens the same store again and again; each is closed when its block ends.

    There are several engines; the whole suite runs on each.
    """

    @contextmanager
    def opened():
        store = opening(clock)
        try:
            yield store
        finally:
            asyncio.run(store.close())

    return opened


@pytest.fixture
def store(open_store):
    with open_store() as store:
        yield store

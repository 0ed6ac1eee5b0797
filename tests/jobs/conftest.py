"""Stores: for research exports, and one that is delivered from."""

import asyncio
from datetime import UTC, datetime, timedelta

import pytest
from peer import Site
from research_store import Research

from service.store.sqlite import SqliteStore


@pytest.fixture
def research(tmp_path):
    made = Research(tmp_path)
    yield made
    asyncio.run(made.store.close())


class Clock:
    def __init__(self) -> None:
        self.now = datetime(2026, 6, 1, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **time):
        self.now += timedelta(**time)


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def store(tmp_path, clock):
    opened = SqliteStore(tmp_path / "store.sqlite", clock=clock)
    yield opened
    asyncio.run(opened.close())


@pytest.fixture
async def site(store, clock):
    return await Site(store, clock).begin()

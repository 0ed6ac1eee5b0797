"""A store for research exports."""

import asyncio

import pytest
from research_store import Research


@pytest.fixture
def research(tmp_path):
    made = Research(tmp_path)
    yield made
    asyncio.run(made.store.close())

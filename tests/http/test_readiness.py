"""Whether the service can do its work: asked of all that this needs, once a second."""

import asyncio
import sqlite3
from collections.abc import Callable

import pytest
from fastapi import FastAPI
from httpx import AsyncClient, Response

from service.errors import StoreUnavailable
from service.rest.readiness import Readiness
from service.settings import Settings

pytestmark = pytest.mark.anyio


def _not_ready(answer: Response) -> str:
    """What it says keeps it from its work."""
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) >= 1
    (issue,) = answer.json()["issue"]
    assert issue["code"] == "transient"
    return str(issue["details"]["text"])


async def test_ready_and_about_to_stop(app: FastAPI, client_of: Callable[[str], AsyncClient]) -> None:
    stranger = client_of("stranger")
    ready = await stranger.get("/health/ready")
    assert (ready.status_code, ready.json()) == (200, {"status": "ready"})
    app.services.readiness.stopping = True
    assert "about to stop" in _not_ready(await stranger.get("/health/ready"))
    assert (await stranger.get("/health/live")).status_code == 200


async def test_not_ready_where_nothing_can_be_written(
    client_of: Callable[[str], AsyncClient], settings: Settings
) -> None:
    """Another program holds the database; a read alone would not notice."""
    stranger = client_of("stranger")
    other = sqlite3.connect(settings.data_dir / "swallow.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert _not_ready(await stranger.get("/health/ready"))
    assert _not_ready(await stranger.get("/health/ready")), "remembered"
    other.close()
    await asyncio.sleep(1)
    assert (await stranger.get("/health/ready")).status_code == 200


async def test_not_ready_where_the_disk_is_nearly_full(app: FastAPI, settings: Settings) -> None:
    wide = settings.model_copy(update={"min_free_mb": 10**12})
    with pytest.raises(StoreUnavailable, match="MB are free in the data folder"):
        await Readiness().check(app.services.store, wide)
    elsewhere = wide.model_copy(update={"database_url": "postgresql://db.example.org/swallow"})
    await Readiness().check(app.services.store, elsewhere)


async def test_the_store_is_asked_once_a_second(
    app: FastAPI, client_of: Callable[[str], AsyncClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    write = type(app.services.store).write

    async def counted(store: object, name: str, work: object) -> object:
        asked.append(name)
        return await write(store, name, work)

    monkeypatch.setattr(type(app.services.store), "write", counted)
    stranger = client_of("stranger")
    await asyncio.gather(*(stranger.get("/health/ready") for _ in range(50)))
    assert len(asked) == 1

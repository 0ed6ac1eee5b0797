"""An answer that does not begin in time is given up, and only that one."""

import asyncio
from typing import Any

import httpx
import pytest
from starlette.responses import PlainTextResponse, StreamingResponse
from starlette.types import Receive, Scope, Send

from service.rest.limited import TimeLimit

pytestmark = pytest.mark.anyio
SECONDS = 0.2
LONGER = 3 * SECONDS


async def _app(scope: Scope, receive: Receive, send: Send) -> None:
    """Waits as long as the address says, before it begins to answer or after."""
    if scope["path"] == "/slow-end":
        await StreamingResponse(_slowly())(scope, receive, send)
        return
    if scope["path"] == "/slow":
        await asyncio.sleep(LONGER)
    await PlainTextResponse("done")(scope, receive, send)


async def _slowly() -> Any:
    yield b"be"
    await asyncio.sleep(LONGER)
    yield b"gun"


def _client() -> httpx.AsyncClient:
    app = TimeLimit(_app, SECONDS)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://test")


async def test_what_takes_too_long_is_told_so_beside_others_that_do_not() -> None:
    async with _client() as client:
        slow, quick, begun = await asyncio.gather(*map(client.get, ("/slow", "/quick", "/slow-end")))
    assert (slow.status_code, slow.json()["resourceType"]) == (503, "OperationOutcome")
    assert (quick.status_code, quick.text) == (200, "done")
    assert (begun.status_code, begun.text) == (200, "begun")


async def test_each_request_has_its_own_time() -> None:
    async with _client() as client:
        first = asyncio.create_task(client.get("/slow"))
        await asyncio.sleep(SECONDS / 2)
        begin = asyncio.get_running_loop().time()
        second = await client.get("/slow")
        assert second.status_code == (await first).status_code == 503
    assert asyncio.get_running_loop().time() - begin >= SECONDS * 0.9


async def test_whoever_is_cancelled_by_others_is_not_answered() -> None:
    async with _client() as client:
        task = asyncio.create_task(client.get("/slow"))
        await asyncio.sleep(0.05)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

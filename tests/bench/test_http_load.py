import asyncio
from contextlib import suppress

import pytest
from bench.http_load import Caller, called
from bench.serving import quantile


async def _serve(answer, seconds=0.2, **more):
    """Ask a server that answers everything the same; the requests it saw, and the times taken."""
    seen = []

    async def one(reader, writer):
        with suppress(asyncio.IncompleteReadError):
            while True:
                seen.append(await reader.readuntil(b"\r\n\r\n"))
                writer.write(answer)
        writer.close()
        await writer.wait_closed()

    async with await asyncio.start_server(one, "127.0.0.1", 0) as server:
        host, port = server.sockets[0].getsockname()
        caller = Caller(f"http://{host}:{port}", "secret")
        requests = [caller.request("GET", path) for path in ("/a", "/b")]
        took = await called(caller, requests, connections=2, seconds=seconds, **more)
    return seen, took


def test_every_answer_is_timed():
    seen, took = asyncio.run(_serve(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok"))
    assert len(seen) == len(took) > 2
    assert {request.split()[1] for request in seen} == {b"/a", b"/b"}
    assert all(b"\r\nAuthorization: Bearer secret\r\n" in request for request in seen)


def test_a_paced_caller_waits_between():
    seen, _ = asyncio.run(_serve(b"HTTP/1.1 201 Created\r\n\r\n", each=0.05))
    assert 4 <= len(seen) <= 10


def test_a_refusal_is_not_counted_as_work():
    with pytest.raises(AssertionError, match="503"):
        asyncio.run(_serve(b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\n\r\n"))


def test_quantiles():
    assert quantile([3.0, 1.0, 2.0], 0.5) == 2.0
    assert quantile([float(n) for n in range(200)], 0.99) == 198.0

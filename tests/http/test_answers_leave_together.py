"""Each answer leaves in one write, and all that HTTP/1.1 does with a connection still holds."""

import asyncio
import re
from collections.abc import AsyncIterator, Callable

import pytest
import uvicorn
from starlette.types import Receive, Scope, Send
from uvicorn.server import ServerState

from service.rest.protocol import Protocol

CHUNK = b"x" * 32 * 1024
CHUNKS = 2_000
HOST = b" HTTP/1.1\r\nHost: service\r\n"


class _Service:
    """Answers by address: whole, as nothing new, in parts or without end in sight."""

    def __init__(self) -> None:
        self.go_on = asyncio.Event()
        self.sent = 0
        self.ended = asyncio.Event()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await getattr(self, scope["path"][1:])(receive, send)
        self.ended.set()

    async def whole(self, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"5")]})
        await send({"type": "http.response.body", "body": b"whole"})

    async def unchanged(self, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 304, "headers": [(b"etag", b'W/"1"')]})
        await send({"type": "http.response.body", "body": b""})

    async def echo(self, receive: Receive, send: Send) -> None:
        body = (await receive())["body"]
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
        await send({"type": "http.response.body", "body": body})

    async def parts(self, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200})
        await send({"type": "http.response.body", "body": b"first", "more_body": True})
        await self.go_on.wait()
        await send({"type": "http.response.body", "body": b"last"})

    async def flood(self, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200})
        for _ in range(CHUNKS):
            await send({"type": "http.response.body", "body": CHUNK, "more_body": True})
            self.sent += 1
        await send({"type": "http.response.body"})

    async def broken(self, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"5")]})
        raise RuntimeError


class _Written(asyncio.Transport):
    """A connection that keeps each write."""

    def __init__(self) -> None:
        super().__init__()
        self.writes: list[bytes] = []
        self.closed = False
        self.gone = asyncio.Event()

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.writes.append(bytes(data))

    def writelines(self, pieces: list[bytes]) -> None:  # type: ignore[override]
        self.write(b"".join(pieces))

    def is_closing(self) -> bool:
        return self.closed

    def close(self) -> None:
        self.closed = True
        self.gone.set()

    def pause_reading(self) -> None:
        pass

    def resume_reading(self) -> None:
        pass


@pytest.fixture
def service() -> _Service:
    return _Service()


@pytest.fixture
def protocol(service: _Service) -> Callable[[], Protocol]:
    config = uvicorn.Config(service, ws="none", access_log=False, log_config=None, interface="asgi3")
    config.load()
    return lambda: Protocol(config, ServerState(), {})


Place = tuple[asyncio.StreamReader, asyncio.StreamWriter]


@pytest.fixture
async def place(protocol: Callable[[], Protocol]) -> AsyncIterator[Place]:
    """A connection to the service through a real socket."""
    async with await asyncio.get_running_loop().create_server(protocol, "127.0.0.1", 0) as server:
        reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
        yield reader, writer
        writer.close()


async def _head(reader: asyncio.StreamReader) -> bytes:
    return await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), 20)


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("request_", "ending"),
    [
        (b"GET /whole", b"\r\n\r\nwhole"),
        (b"HEAD /whole", b"\r\ncontent-length: 5\r\n\r\n"),
        (b"GET /unchanged", b'\r\netag: W/"1"\r\n\r\n'),
    ],
)
async def test_an_answer_is_one_write(
    protocol: Callable[[], Protocol], request_: bytes, ending: bytes
) -> None:
    connection, one = _Written(), protocol()
    one.connection_made(connection)
    for number in range(1, 4):
        one.data_received(request_ + HOST + b"\r\n")
        for _ in range(5):
            await asyncio.sleep(0)
        assert len(connection.writes) == number
        assert connection.writes[-1].startswith(b"HTTP/1.1 ")
        assert connection.writes[-1].endswith(ending)
    assert not connection.closed


@pytest.mark.anyio
async def test_an_answer_leaves_before_its_connection_closes(
    protocol: Callable[[], Protocol], place: Place
) -> None:
    connection, one = _Written(), protocol()
    one.connection_made(connection)
    one.data_received(b"GET /whole" + HOST + b"Connection: close\r\n\r\n")
    await asyncio.sleep(0)
    assert connection.closed
    assert connection.writes[0].endswith(b"\r\n\r\nwhole")
    reader, writer = place
    writer.write(b"GET /whole" + HOST + b"Connection: close\r\n\r\n")
    assert (await asyncio.wait_for(reader.read(), 20)).endswith(b"connection: close\r\n\r\nwhole")


@pytest.mark.anyio
async def test_a_connection_is_closed_once_it_asks_nothing_more(
    protocol: Callable[[], Protocol], service: _Service
) -> None:
    connection, one = _Written(), protocol()
    one.connection_made(connection)
    one.data_received(b"GET /whole" + HOST + b"\r\n")
    await asyncio.sleep(0)
    one.timeout_keep_alive_handler()
    assert not connection.closed, "a moment after its answer"
    one.data_received(b"GET /parts" + HOST + b"\r\n")
    await asyncio.sleep(0)
    one.timeout_keep_alive = 0
    one.timeout_keep_alive_handler()
    assert not connection.closed, "while it waits for an answer"
    service.go_on.set()
    await asyncio.wait_for(connection.gone.wait(), 20)
    assert connection.writes[-1].endswith(b"0\r\n\r\n")


@pytest.mark.anyio
async def test_requests_sent_in_a_row_are_answered_in_a_row(place: Place, service: _Service) -> None:
    reader, writer = place
    requests = [b"GET /%s%s" % (name, HOST) for name in (b"whole", b"unchanged", b"parts", b"whole")]
    writer.write(b"\r\n".join([*requests, b"GET /unchanged" + HOST + b"Connection: close\r\n\r\n"]))
    service.go_on.set()
    answers = await asyncio.wait_for(reader.read(), 20)
    assert re.findall(rb"HTTP/1.1 (\d+)", answers) == [b"200", b"304", b"200", b"200", b"304"]


@pytest.mark.anyio
async def test_who_waits_to_be_asked_for_the_body_is_asked(place: Place) -> None:
    reader, writer = place
    writer.write(b"POST /echo" + HOST + b"Content-Length: 2\r\nExpect: 100-continue\r\n\r\n")
    assert await _head(reader) == b"HTTP/1.1 100 Continue\r\n\r\n"
    writer.write(b"hi")
    assert (await _head(reader)).startswith(b"HTTP/1.1 200 OK\r\n")
    assert await reader.readexactly(2) == b"hi"


@pytest.mark.anyio
async def test_the_first_part_does_not_wait_for_the_last(place: Place, service: _Service) -> None:
    reader, writer = place
    writer.write(b"GET /parts" + HOST + b"\r\n")
    assert b"transfer-encoding: chunked" in await _head(reader)
    assert await asyncio.wait_for(reader.readuntil(b"first\r\n"), 20) == b"5\r\nfirst\r\n"
    service.go_on.set()
    assert await asyncio.wait_for(reader.readuntil(b"0\r\n\r\n"), 20) == b"4\r\nlast\r\n0\r\n\r\n"


@pytest.mark.anyio
async def test_a_caller_who_does_not_read_holds_up_the_answer(place: Place, service: _Service) -> None:
    reader, writer = place
    writer.write(b"GET /flood" + HOST + b"\r\n")
    await _head(reader)
    await asyncio.sleep(0.2)
    waiting_at = service.sent
    await asyncio.sleep(0.2)
    assert service.sent == waiting_at < CHUNKS
    size = 0
    while not service.ended.is_set():
        size += len(await reader.read(1 << 20))
    assert size <= CHUNKS * (len(CHUNK) + 20)


@pytest.mark.anyio
async def test_a_caller_who_leaves_ends_its_answer_alone(
    place: Place, service: _Service, protocol: Callable[[], Protocol]
) -> None:
    reader, writer = place
    writer.write(b"GET /flood" + HOST + b"\r\n")
    await _head(reader)
    writer.transport.abort()
    await asyncio.wait_for(service.ended.wait(), 20)
    connection, one = _Written(), protocol()
    one.connection_made(connection)
    one.data_received(b"GET /whole" + HOST + b"\r\n")
    one.connection_lost(None)
    for _ in range(5):
        await asyncio.sleep(0)
    assert connection.writes == []


@pytest.mark.anyio
async def test_an_answer_that_breaks_off_closes_the_connection(place: Place) -> None:
    reader, writer = place
    writer.write(b"GET /broken" + HOST + b"\r\n")
    assert (await asyncio.wait_for(reader.read(), 20)).endswith(b"content-length: 5\r\n\r\n")


@pytest.mark.anyio
async def test_a_server_that_stops_ends_what_it_began(
    protocol: Callable[[], Protocol], service: _Service
) -> None:
    connection, one = _Written(), protocol()
    one.connection_made(connection)
    one.data_received(b"GET /parts" + HOST + b"\r\n")
    for _ in range(5):
        await asyncio.sleep(0)
    one.shutdown()
    assert not connection.closed
    service.go_on.set()
    for _ in range(5):
        await asyncio.sleep(0)
    assert connection.closed
    assert connection.writes[-1].endswith(b"4\r\nlast\r\n0\r\n\r\n")
    idle, other = _Written(), protocol()
    other.connection_made(idle)
    other.shutdown()
    assert idle.closed

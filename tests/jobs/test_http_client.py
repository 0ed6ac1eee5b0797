"""The client over TLS: HTTP/2 where it is offered, and a certificate that says who we are."""

import asyncio
import ssl
from contextlib import asynccontextmanager

import h2.config
import h2.connection
import h2.events
import pytest
from certificates import make_certificates

from service.jobs.http_client import Certificate, TransportError, connect
from service.jobs.outgoing import Outgoing

pytestmark = pytest.mark.anyio


@pytest.fixture
def folder(tmp_path, monkeypatch):
    made = make_certificates(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(made / "authority.pem"))
    return made


@asynccontextmanager
async def server(folder, *protocols):
    """Answers every request with an empty 200, by the first protocol that the client speaks too."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=folder / "authority.pem")
    context.load_cert_chain(folder / "server.pem")
    context.verify_mode = ssl.CERT_REQUIRED
    context.set_alpn_protocols(protocols)
    serving = await asyncio.start_server(answered, "127.0.0.1", 0, ssl=context)
    try:
        yield f"https://localhost:{serving.sockets[0].getsockname()[1]}"
    finally:
        serving.close()


async def answered(reader, writer):
    try:
        if writer.get_extra_info("ssl_object").selected_alpn_protocol() == "h2":
            await _by_h2(reader, writer)
        else:
            await reader.readuntil(b"\r\n\r\n")
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
            await writer.drain()
    except OSError:
        pass  # the client went away
    finally:
        writer.close()


async def _by_h2(reader, writer):
    connection = h2.connection.H2Connection(h2.config.H2Configuration(client_side=False))
    connection.initiate_connection()
    writer.write(connection.data_to_send())
    while data := await reader.read(65_536):
        for event in connection.receive_data(data):
            if isinstance(event, h2.events.RequestReceived):
                connection.send_headers(event.stream_id, [(":status", "200")], end_stream=True)
        writer.write(connection.data_to_send())


@pytest.mark.conformance("J10")
@pytest.mark.published("RFC 9113 section 3.2: h2 by ALPN; the server's side is the library h2")
@pytest.mark.parametrize(("offered", "spoken"), [(("h2", "http/1.1"), "HTTP/2"), (("http/1.1",), "HTTP/1.1")])
async def test_http_2_is_spoken_where_it_is_offered(folder, offered, spoken):
    shown = Certificate(str(folder / "client.pem"))
    async with (
        server(folder, *offered) as address,
        connect(address, "", Outgoing("localhost 127.0.0.1 ::1"), certificate=shown) as client,
    ):
        answers = await asyncio.gather(*(client.get("/x") for _ in range(3)))
    assert [(one.status_code, one.http_version) for one in answers] == [(200, spoken)] * 3


async def test_who_wants_a_certificate_gets_none_of_us_that_was_not_named(folder):
    async with (
        server(folder, "http/1.1") as address,
        connect(address, "", Outgoing("localhost 127.0.0.1 ::1")) as client,
    ):
        with pytest.raises(TransportError):
            await client.get("/x")

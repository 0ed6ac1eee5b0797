"""Where the service may connect to: judged by address, and no other is connected to."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence

import httpx
import pytest
from pytest_httpx import HTTPXMock

from service.errors import AddressRefused, IssuerUnreachable, ServiceError
from service.jobs.fetching import Fetching
from service.jobs.http_client import connect
from service.jobs.outgoing import Outgoing
from service.jobs.terminology_server import TerminologyServer

NOT_PUBLIC = [
    "127.0.0.1",
    "127.8.8.8",
    "0.0.0.0",  # noqa: S104 - an address to be refused
    "10.1.2.3",
    "172.16.0.1",
    "192.168.1.1",
    "100.64.0.1",
    "169.254.169.254",
    "168.63.129.16",
    "224.0.0.1",
    "255.255.255.255",
    "192.0.2.1",
    "::1",
    "::",
    "fe80::1",
    "fe80::1%eth0",
    "fd00:ec2::254",
    "ff02::1",
    "::ffff:127.0.0.1",
    "::ffff:169.254.169.254",
    "64:ff9b::a9fe:a9fe",
    "2002:7f00:1::",
]


def finds(*addresses: str) -> Callable[[str, int], Awaitable[Sequence[str]]]:
    async def look_up(_host: str, _port: int) -> Sequence[str]:
        return addresses

    return look_up


def judged(outgoing: Outgoing, host: str = "some.example.org", port: int = 443) -> Sequence[str]:
    return asyncio.run(outgoing.addresses(host, port))


@pytest.mark.published("IANA special-purpose address registries; RFC 6052; RFC 3056")
@pytest.mark.parametrize("address", NOT_PUBLIC)
def test_what_is_not_public_is_refused(address: str) -> None:
    with pytest.raises(AddressRefused, match="SWALLOW_OUTGOING_HOSTS"):
        judged(Outgoing("", finds(address)))


@pytest.mark.parametrize("address", NOT_PUBLIC)
def test_one_such_address_among_public_ones_is_enough(address: str) -> None:
    with pytest.raises(AddressRefused):
        judged(Outgoing("", finds("93.184.215.14", address)))


@pytest.mark.parametrize("address", ["93.184.215.14", "2606:2800:21f:cb07::1", "64:ff9b::5db8:d70e"])
def test_what_is_public_is_open(address: str) -> None:
    assert judged(Outgoing("", finds(address))) == (address,)


@pytest.mark.parametrize("named", ["10.1.2.3", "10.0.0.0/8", "some.example.org", "Some.Example.org fd00::/8"])
def test_what_the_site_names_is_open(named: str) -> None:
    assert judged(Outgoing(named, finds("10.1.2.3"))) == ("10.1.2.3",)


def test_a_name_opens_no_address_that_is_no_hosts() -> None:
    for address in ("169.254.169.254", "224.0.0.1", "168.63.129.16", "::ffff:169.254.169.254"):
        with pytest.raises(AddressRefused):
            judged(Outgoing("some.example.org", finds(address)))
    assert judged(Outgoing("169.254.0.0/16", finds("169.254.169.254")))


def test_other_hosts_stay_closed() -> None:
    with pytest.raises(AddressRefused):
        judged(Outgoing("other.example.org 10.9.0.0/16", finds("10.1.2.3")))


@pytest.mark.parametrize("port", [22, 25, 111, 389, 993])
def test_ports_of_other_services_are_refused(port: int) -> None:
    with pytest.raises(AddressRefused, match=f"port {port}"):
        judged(Outgoing("", finds("93.184.215.14")), port=port)


@pytest.mark.parametrize(
    "url",
    [
        "http://some.example.org/fhir",
        "ftp://some.example.org/",
        "file:///etc/passwd",
        "//some.example.org",
        "gopher://127.0.0.1:25/",
    ],
)
def test_other_schemes_are_refused(url: str) -> None:
    with pytest.raises(AddressRefused, match="https"):
        Outgoing().check(url)


def test_plain_http_is_for_what_the_site_names() -> None:
    outgoing = Outgoing("127.0.0.0/8 here.example.org")
    outgoing.check("http://127.0.0.1:8080/fhir")
    outgoing.check("http://HERE.example.org/fhir")
    outgoing.check("https://anywhere.example.org/fhir")
    with pytest.raises(AddressRefused):
        outgoing.check("ftp://127.0.0.1/")


@pytest.mark.parametrize("named", ["10.0.0.0/40", "http://x.example.org", "a/b", "10.0.0.1/8"])
def test_a_setting_that_cannot_be_read_is_told(named: str) -> None:
    with pytest.raises(ServiceError, match="SWALLOW_OUTGOING_HOSTS"):
        Outgoing(named)


async def _serving(status: bytes, seen: list[bytes]) -> asyncio.Server:
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        seen.append(await reader.readuntil(b"\r\n\r\n"))
        writer.write(b"HTTP/1.1 %s\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{}" % status)
        await writer.drain()
        writer.close()

    return await asyncio.start_server(answer, "127.0.0.1", 0)


def _asked(
    outgoing: Outgoing, host: str, status: bytes = b"200 OK"
) -> tuple[httpx.Response | Exception, list[bytes]]:
    """Ask a server of this machine under a name; its answer or what kept us from it, and what it saw."""

    async def ask() -> tuple[httpx.Response | Exception, list[bytes]]:
        seen: list[bytes] = []
        async with await _serving(status, seen) as server:
            port = server.sockets[0].getsockname()[1]
            async with connect(f"http://{host}:{port}", "secret", outgoing) as client:
                try:
                    return await client.get("/x"), seen
                except (ServiceError, httpx.TransportError) as error:
                    return error, seen

    return asyncio.run(ask())


def test_a_named_host_is_reached_at_the_address_that_was_judged() -> None:
    answer, seen = _asked(Outgoing("there.example.org", finds("127.0.0.1")), "there.example.org")
    assert isinstance(answer, httpx.Response)
    assert answer.status_code == 200
    assert b"\r\nHost: there.example.org:" in seen[0]


def test_a_name_that_changes_its_address_is_not_followed() -> None:
    """DNS rebinding: the name is looked up once, and what was judged is connected to."""
    asked = []

    async def look_up(host: str, _port: int) -> Sequence[str]:
        asked.append(host)
        return ["127.0.0.1"] if len(asked) == 1 else ["169.254.169.254"]

    answer, _ = _asked(Outgoing("there.example.org", look_up), "there.example.org")
    assert isinstance(answer, httpx.Response)
    assert asked == ["there.example.org"]


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "there.example.org"])
def test_nothing_is_sent_where_it_may_not_go(host: str) -> None:
    outgoing = Outgoing("other.example.org", finds("127.0.0.1"))
    answer, seen = _asked(outgoing, host)
    assert isinstance(answer, AddressRefused)
    assert seen == []


def test_a_redirect_is_not_followed() -> None:
    answer, seen = _asked(
        Outgoing("127.0.0.1"), "127.0.0.1", b"302 Found\r\nLocation: http://169.254.169.254/"
    )
    assert isinstance(answer, httpx.Response)
    assert (answer.status_code, len(seen)) == (302, 1)


def test_a_proxy_of_the_environment_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:9")
    answer, _ = _asked(Outgoing("127.0.0.1"), "127.0.0.1")
    assert isinstance(answer, httpx.Response)


def test_a_host_that_has_no_address_is_out_of_reach() -> None:
    async def look_up(_host: str, _port: int) -> Sequence[str]:
        raise OSError("no such name")

    answer, _ = _asked(Outgoing("there.example.org", look_up), "there.example.org")
    assert isinstance(answer, httpx.ConnectError)


@pytest.mark.parametrize("url", ["https://127.0.0.1/jwks", "https://169.254.169.254/x", "http://10.0.0.1/x"])
def test_keys_and_tokens_are_not_asked_for_there(url: str) -> None:
    async def ask() -> None:
        fetching = Fetching(Outgoing())
        try:
            with pytest.raises(IssuerUnreachable):
                await fetching.get(url)
            with pytest.raises(IssuerUnreachable):
                await fetching.post(url, {"token": "x"}, ("us", "secret"))
        finally:
            await fetching.close()

    asyncio.run(ask())


@pytest.mark.parametrize("url", ["https://127.0.0.1/fhir", "https://[fe80::1]/fhir", "http://10.0.0.1/fhir"])
def test_a_terminology_server_is_not_asked_there(url: str, caplog: pytest.LogCaptureFixture) -> None:
    async def ask() -> None:
        server = TerminologyServer(url, "secret", Outgoing())
        for number in range(3):
            assert await server.ask("CodeSystem/$lookup", (("code", str(number)),)) is None
        await server.close()

    asyncio.run(ask())
    assert "SWALLOW_OUTGOING_HOSTS" in caplog.text


def test_a_judged_client_sends_as_before(httpx_mock: HTTPXMock) -> None:
    httpx_mock.add_response(url="https://there.example.org/x", json={})

    async def ask() -> None:
        async with connect("https://there.example.org", "secret", Outgoing()) as client:
            await client.get("/x")

    asyncio.run(ask())
    (request,) = httpx_mock.get_requests()
    assert request.headers["authorization"] == "Bearer secret"

"""A terminology server that answers, refuses, stalls and breaks; and what is never sent to it."""

import httpx
import pytest

from service.jobs.outgoing import Outgoing
from service.jobs.terminology_server import TerminologyServer

URL = "https://terms.example.org/fhir"
PATH = "CodeSystem/$validate-code"
SNOMED = "http://snomed.info/sct"
YES = {"resourceType": "Parameters", "parameter": [{"name": "result", "valueBoolean": True}]}

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend():
    return "asyncio"


class Clock:
    seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
async def server(clock):
    opened = TerminologyServer(URL, "secret", Outgoing(), now=clock)
    yield opened
    await opened.close()


def about(code="1"):
    return ("url", SNOMED), ("code", code)


async def test_an_answer_is_remembered_for_an_hour(server, clock, httpx_mock):
    httpx_mock.add_response(json=YES, is_reusable=True)
    for _ in range(3):
        assert await server.ask(PATH, about()) == YES
    (request,) = httpx_mock.get_requests()
    assert str(request.url) == f"{URL}/{PATH}?url=http%3A%2F%2Fsnomed.info%2Fsct&code=1"
    assert request.headers["Authorization"] == "Bearer secret"
    clock.seconds = 3_601
    assert await server.ask(PATH, about()) == YES
    assert len(httpx_mock.get_requests()) == 2


async def test_what_it_does_not_know_is_remembered_too(server, httpx_mock):
    httpx_mock.add_response(status_code=404, json={"resourceType": "OperationOutcome"})
    assert await server.ask(PATH, about()) is None
    assert await server.ask(PATH, about()) is None
    assert len(httpx_mock.get_requests()) == 1


@pytest.mark.parametrize(
    "answer",
    [
        {"status_code": 500},
        {"status_code": 401},
        {"status_code": 429},
        {"status_code": 302, "headers": {"Location": "https://elsewhere.example.org"}},
        {"text": "<html>no FHIR</html>"},
        {"content": b'{"resourceType": "Parameters", "parameter": [}'},
        {"content": b"[" * 100_000},
        {"content": b" " * 5_000_001},
    ],
)
async def test_whatever_it_answers_nothing_breaks(server, clock, httpx_mock, answer):
    httpx_mock.add_response(**answer, is_reusable=True)
    for _ in range(5):
        assert await server.ask(PATH, about()) is None
    assert len(httpx_mock.get_requests()) == 3  # then it is left alone for half a minute
    clock.seconds = 31
    assert await server.ask(PATH, about()) is None
    assert await server.ask(PATH, about()) is None
    assert len(httpx_mock.get_requests()) == 4


async def test_it_is_asked_again_when_it_is_back(server, clock, httpx_mock):
    for error in (httpx.ConnectError("no"), httpx.ReadTimeout("slow"), httpx.RemoteProtocolError("cut")):
        httpx_mock.add_exception(error)
        assert await server.ask(PATH, about()) is None
    clock.seconds = 31
    httpx_mock.add_response(json=YES, is_reusable=True)
    assert await server.ask(PATH, about()) == YES
    assert await server.ask(PATH, about("2")) == YES


async def test_memory_is_bounded(server, httpx_mock):
    httpx_mock.add_response(json=YES, is_reusable=True)
    for number in range(4_200):
        await server.ask(PATH, about(str(number)))
    assert len(server._kept) == 4_096
    assert (PATH, about("4199")) in server._kept
    assert (PATH, about("0")) not in server._kept


@pytest.mark.parametrize(
    "query",
    [
        (("url", SNOMED), ("display", "Jane Invented, born 1950")),
        (("url", SNOMED), ("filter", "Invented")),
        (("url", SNOMED), ("code", "two\nlines")),
        (("url", SNOMED), ("code", "x" * 501)),
        (("valueSet", "{}"),),
    ],
)
async def test_nothing_but_codes_and_addresses_is_sent(server, httpx_mock, query):
    assert await server.ask(PATH, query) is None
    assert httpx_mock.get_requests() == []

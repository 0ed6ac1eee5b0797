"""What other servers answer, and what of it is not taken."""

import asyncio
import base64

import httpx
import pytest
from pytest_httpx import HTTPXMock

from service.errors import IssuerUnreachable
from service.jobs.fetching import Fetching
from service.jobs.outgoing import Outgoing

URL = "https://issuer.example.org/jwks"


async def fetched(form: dict[str, str] | None = None) -> bytes:
    fetching = Fetching(Outgoing())
    try:
        return await (fetching.post(URL, form, ("swallow", "secret")) if form else fetching.get(URL))
    finally:
        await fetching.close()


def test_an_answer_is_answered(httpx_mock: HTTPXMock) -> None:
    httpx_mock.add_response(url=URL, content=b"{}")
    assert asyncio.run(fetched()) == b"{}"


def test_a_form_says_who_asks(httpx_mock: HTTPXMock) -> None:
    httpx_mock.add_response(url=URL, method="POST", content=b"{}")
    asyncio.run(fetched({"token": "a b"}))
    (request,) = httpx_mock.get_requests()
    assert request.content == b"token=a+b"
    assert request.headers["authorization"] == f"Basic {base64.b64encode(b'swallow:secret').decode()}"


@pytest.mark.parametrize("status", [204, 301, 302, 401, 404, 500])
def test_another_status_is_no_answer(httpx_mock: HTTPXMock, status: int) -> None:
    httpx_mock.add_response(url=URL, status_code=status, headers={"Location": "http://169.254.169.254/"})
    with pytest.raises(IssuerUnreachable):
        asyncio.run(fetched())
    assert len(httpx_mock.get_requests()) == 1


def test_a_very_long_answer_is_none(httpx_mock: HTTPXMock) -> None:
    httpx_mock.add_response(url=URL, content=b" " * 1_000_001)
    with pytest.raises(IssuerUnreachable):
        asyncio.run(fetched())


@pytest.mark.parametrize("fault", [httpx.ConnectError("x"), httpx.ReadTimeout("x"), TimeoutError()])
def test_no_answer(httpx_mock: HTTPXMock, fault: Exception) -> None:
    httpx_mock.add_exception(fault)
    with pytest.raises(IssuerUnreachable, match="try again"):
        asyncio.run(fetched())

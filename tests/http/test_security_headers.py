"""What every answer tells a browser, and that nothing a request carries becomes a header of the answer."""

from collections.abc import Callable

import pytest
from httpx import ASGITransport, AsyncClient, Response
from running_apps import NOW, running

from service.app import create_app
from service.settings import Settings

pytestmark = pytest.mark.anyio

SCRIPT = "<script>alert(1)</script>"
NARRATIVE = {
    "resourceType": "Patient",
    "id": "p1",
    "name": [{"family": SCRIPT}],
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>x</p></div>'},
}
ASKED = [
    ("GET", "/fhir/Patient/p1"),
    ("GET", "/fhir/Patient/p1?_format=xml"),
    ("GET", "/fhir/Patient"),
    ("GET", "/fhir/Patient/nobody"),
    ("GET", "/fhir/metadata"),
    ("GET", "/nowhere"),
    ("DELETE", "/fhir/metadata"),
    ("GET", "/health/live"),
    ("GET", "/openapi.json"),
    ("GET", "/app"),
    ("GET", "/guide"),
    ("HEAD", "/fhir/Patient/p1"),
    ("OPTIONS", "/fhir/Patient/p1"),
]


@pytest.mark.published("OWASP Secure Headers Project; RFC 6797")
@pytest.mark.parametrize(("method", "path"), ASKED)
async def test_every_answer_may_be_neither_kept_nor_run(
    integrator: AsyncClient, method: str, path: str
) -> None:
    assert (await integrator.put("/fhir/Patient/p1", json=NARRATIVE)).status_code == 201
    headers = (await integrator.request(method, path)).headers
    assert headers["x-content-type-options"] == "nosniff"
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "script" not in policy
    if "/fhir/Patient" in path:
        assert {"no-store", "no-cache"} & set(headers["cache-control"].replace(",", " ").split())
    assert "strict-transport-security" not in headers


async def test_no_answer_about_a_person_is_a_page(integrator: AsyncClient) -> None:
    """A browser that is led to a resource shows its text, whatever it is asked to take it for."""
    await integrator.put("/fhir/Patient/p1", json=NARRATIVE)
    for accept in ("text/html", "text/html,application/xhtml+xml,*/*;q=0.8", "image/svg+xml, */*"):
        for path in ("/fhir/Patient/p1", "/fhir/Patient?name=%3Cscript", f"/fhir/Patient?{SCRIPT}=1"):
            answer = await integrator.get(path, headers={"Accept": accept})
            assert answer.headers["content-type"].startswith("application/fhir+"), answer.headers


async def test_where_the_address_is_https_browsers_stay_with_it(settings: Settings) -> None:
    app = create_app(settings.model_copy(update={"base_url": "https://fhir.example.org"}))
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://in") as client,
    ):
        for path in ("/fhir/metadata", "/app/sign-in", "/nowhere"):
            answer = await client.get(path)
            assert answer.headers["strict-transport-security"] == "max-age=31536000"


def _clean(answer: Response) -> None:
    assert answer.status_code < 500
    assert "x-evil" not in answer.headers
    for name, value in answer.headers.raw:
        assert not {b"\r", b"\n", b"\0"} & {bytes([byte]) for byte in name + value}


@pytest.mark.parametrize("odd", ["%0d%0aX-Evil:%201", "%0aX-Evil:1", "%E5%98%8D%E5%98%8AX-Evil:1", "%00"])
async def test_no_header_is_made_of_an_address(integrator: AsyncClient, odd: str) -> None:
    for method, path in (
        ("PUT", f"/fhir/Patient/p1{odd}"),
        ("GET", f"/fhir/Patient/p1{odd}"),
        ("GET", f"/fhir/Patient/p1/_history/1{odd}"),
        ("GET", f"/fhir/Patient?name=x{odd}&_format=json{odd}"),
        ("GET", f"/app/patients/p1{odd}"),
        ("GET", f"/app/sign-in?next={odd}"),
        ("GET", f"/guide/{odd}"),
        ("GET", f"/research/export?variant=safe-harbor{odd}"),
    ):
        body = {"json": NARRATIVE} if method == "PUT" else {}
        _clean(await integrator.request(method, path, **body))


async def test_no_header_is_made_of_content(integrator: AsyncClient) -> None:
    evil = "a\r\nX-Evil: 1"
    for tree in (
        NARRATIVE | {"id": evil},
        NARRATIVE | {"meta": {"versionId": evil, "lastUpdated": evil}},
        {"resourceType": "Binary", "contentType": f"text/plain{evil}", "data": "eA=="},
    ):
        answer = await integrator.post(f"/fhir/{tree['resourceType']}", json=tree)
        _clean(answer)
        if "location" in answer.headers:
            _clean(await integrator.get(answer.headers["location"], headers={"Accept": "*/*"}))


async def test_a_log_line_is_one_line(
    integrator: AsyncClient, client_of: Callable[[str], AsyncClient], caplog: pytest.LogCaptureFixture
) -> None:
    """Nobody writes lines of their own into the log by what they send."""
    caplog.set_level("DEBUG")
    for client in (integrator, client_of("stranger")):
        for path in ("/fhir/Patient/a%0a%7B%22status%22:200%7D", "/%0aforged", "/fhir/%0aforged?x=%0aforged"):
            _clean(await client.get(path, headers={"X-Request-Id": "a{forged}", "User-Agent": "forged"}))
    ours = [record.getMessage() for record in caplog.records if record.name.startswith("service")]
    assert not [line for line in ours if "forged" in line]


@pytest.mark.published("RFC 9116 sections 2.3, 2.5.3 and 2.5.5")
async def test_who_finds_a_weakness_learns_whom_to_tell(settings: Settings, stranger: AsyncClient) -> None:
    """Where the site names somebody; else nobody is named."""
    where = "/.well-known/security.txt"
    assert (await stranger.get(where)).status_code == 404
    named = "mailto:security@clinic.example.org https://clinic.example.org/security"
    app = create_app(settings.model_copy(update={"security_contact": named}), clock=lambda: NOW)
    async with (
        running(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://test") as client,
    ):
        answer = await client.get(where)
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    assert answer.text.splitlines() == [
        *(f"Contact: {one}" for one in named.split()),
        "Expires: 2026-11-28T09:00:00+00:00",
    ]

"""Who gets in: every address of the running application is walked."""

from collections.abc import Callable
from pathlib import Path

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient, Response
from starlette.routing import Route

from service.app import create_app
from service.errors import ServiceError
from service.rest.dispatch import OPEN, Row
from service.rest.routes import API_ROUTES, FHIR_ROUTES
from service.security.development_issuer import VALID_S
from service.security.signed import SKEW_S
from service.settings import Settings

ROWS = [*FHIR_ROUTES, *API_ROUTES]
GUARDED = [row for row in ROWS if row.needs != OPEN]
OPEN_DOCUMENTS = {"/openapi.json"}
CDS = [f"/cds-services{end}" for end in ("", "/swallowing-goals", "/swallowing-goals/feedback")]
"""Their tokens are no access tokens: they are asked for behind the table, where the site has CDS clients."""
pytestmark = pytest.mark.anyio


def address(path: str) -> str:
    for name, value in {"type": "Observation", "id": "1", "version": "1", "name": "goal-attainment"}.items():
        path = path.replace(f"{{{name}}}", value)
    return path


def label(row: Row) -> str:
    return f"{row.method} {row.path}"


def assert_outcome(answer: Response, status: int) -> None:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/fhir+json"
    outcome = answer.json()
    assert outcome["resourceType"] == "OperationOutcome"
    assert all(issue["severity"] and issue["code"] and issue["details"]["text"] for issue in outcome["issue"])
    assert answer.headers["x-request-id"]


def served(app: FastAPI) -> list[str]:
    return [route.path for route in app.routes if isinstance(route, Route)]


@pytest.mark.conformance("I3")
@pytest.mark.parametrize("row", GUARDED, ids=label)
async def test_every_guarded_address_refuses_a_stranger(row: Row, stranger: AsyncClient) -> None:
    answer = await stranger.request(row.method, address(row.path))
    assert_outcome(answer, 401)
    assert answer.headers["www-authenticate"] == 'Bearer realm="swallow-interop"'


@pytest.mark.conformance("I3")
@pytest.mark.parametrize("row", GUARDED, ids=label)
async def test_every_guarded_address_refuses_a_token_without_scopes(
    row: Row, client_of: Callable[[str], AsyncClient]
) -> None:
    answer = await client_of("nobody").request(row.method, address(row.path))
    assert_outcome(answer, 403)
    assert 'error="insufficient_scope"' in answer.headers["www-authenticate"]


@pytest.mark.conformance("I3")
@pytest.mark.parametrize("row", GUARDED, ids=label)
@pytest.mark.parametrize("token", ["", "x", "a.b.c", "é", "Bearer Bearer"])
async def test_every_guarded_address_refuses_nonsense(row: Row, token: str, stranger: AsyncClient) -> None:
    headers = {"Authorization": f"Bearer {token}".encode()}
    answer = await stranger.request(row.method, address(row.path), headers=headers)
    assert_outcome(answer, 401)
    assert token == "" or len(token) < 3 or token not in answer.text


async def test_nothing_is_served_outside_the_table(app: FastAPI) -> None:
    known = {row.path for row in ROWS} | OPEN_DOCUMENTS
    others = {*served(app), *app.openapi()["paths"]} - known
    assert all(path.startswith(("/app", "/guide")) for path in others), others


async def test_only_a_few_addresses_are_open(stranger: AsyncClient) -> None:
    assert sorted({row.path for row in ROWS if row.needs == OPEN}) == [
        "/.well-known/security.txt",
        "/.well-known/smart-configuration",
        *CDS,
        "/fhir/$versions",
        "/fhir/.well-known/smart-configuration",
        "/fhir/metadata",
        "/health/live",
        "/health/ready",
        "/oauth/authorize",
        "/oauth/jwks",
        "/oauth/token",
    ]
    nothing_named = {"/oauth/authorize": 400, "/oauth/token": 400, "/.well-known/security.txt": 404}
    nothing_named |= dict.fromkeys(CDS, 404)
    for row in ROWS:
        if row.needs == OPEN:
            expected = nothing_named.get(row.path, 200)
            assert (await stranger.request(row.method, row.path)).status_code == expected


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/fhir/Patient"),
        ("PUT", "/fhir/Patient/1"),
        ("DELETE", "/fhir/Patient/1"),
        ("GET", "/research/export"),
    ],
)
async def test_a_clinician_reads_and_does_not_write(method: str, path: str, clinician: AsyncClient) -> None:
    assert_outcome(await clinician.request(method, path), 403)


@pytest.mark.parametrize("row", [row for row in GUARDED if "research-export" not in row.needs], ids=label)
async def test_a_researcher_gets_nothing_but_research(row: Row, researcher: AsyncClient) -> None:
    assert_outcome(await researcher.request(row.method, address(row.path)), 403)


async def test_an_expired_token_is_refused(sign: Callable[..., str], stranger: AsyncClient) -> None:
    old = sign("system/*.cruds", age=VALID_S + SKEW_S)
    answer = await stranger.get("/fhir/Patient", headers={"Authorization": f"Bearer {old}"})
    assert_outcome(answer, 401)
    assert "expired" in answer.text


async def test_two_authorization_headers_are_refused(sign: Callable[..., str], stranger: AsyncClient) -> None:
    headers = [("Authorization", f"Bearer {sign('system/*.cruds')}"), ("Authorization", "Bearer x")]
    assert_outcome(await stranger.get("/fhir/Patient", headers=headers), 400)


async def test_a_token_in_the_address_is_no_token(sign: Callable[..., str], stranger: AsyncClient) -> None:
    assert_outcome(await stranger.get("/fhir/Patient", params={"access_token": sign("system/*.cruds")}), 401)


@pytest.mark.conformance("A15")
@pytest.mark.parametrize(
    "path", ["/", "/fhir/Patient/1/$unknown", "/fhir/Patient/1/2/3/4", "/metadata", "/fhir//"]
)
async def test_unknown_addresses_answer_the_same_shape(path: str, integrator: AsyncClient) -> None:
    assert_outcome(await integrator.get(path), 404)


@pytest.mark.conformance("A18")
@pytest.mark.parametrize("type_", ["patient", "Patients", "Observation%20x", "Bundle", "_search", "%00"])
async def test_unknown_types_are_not_found(type_: str, integrator: AsyncClient) -> None:
    answer = await integrator.get(f"/fhir/{type_}/1")
    assert_outcome(answer, 404)
    assert type_ not in answer.text


@pytest.mark.conformance("A15")
@pytest.mark.parametrize("row", FHIR_ROUTES, ids=label)
async def test_other_methods_are_405_and_allow_names_the_right_ones(
    row: Row, integrator: AsyncClient
) -> None:
    answer = await integrator.request("LINK", address(row.path))
    assert_outcome(answer, 405)
    allowed = set(answer.headers["allow"].split(", "))
    assert {other.method for other in FHIR_ROUTES if other.path == row.path} == allowed - {"HEAD", "OPTIONS"}


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.0.10", "example.org"])  # noqa: S104 - refused
def test_the_development_issuer_is_for_loopback_only(host: str, tmp_path: Path) -> None:
    with pytest.raises(ServiceError, match=r"127\.0\.0\.1"):
        create_app(Settings(data_dir=tmp_path, host=host, development_issuer=True))
    assert list(tmp_path.iterdir()) == []


async def test_without_an_issuer_no_token_is_believed(settings: Settings, sign: Callable[..., str]) -> None:
    headers = {"Authorization": f"Bearer {sign('system/*.cruds')}"}
    app = create_app(settings.model_copy(update={"development_issuer": False}))
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers) as client,
    ):
        assert_outcome(await client.get("/fhir/Patient"), 401)

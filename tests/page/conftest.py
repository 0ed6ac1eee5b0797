"""The pages over hand-made views, asked as a browser and as a program would."""

import asyncio
import time
from datetime import date

import httpx
import page_samples as samples
import pytest
from filed import ZONE, now
from hospital import hospital
from joserfc import jwt
from joserfc.jwk import RSAKey
from login_site import Site
from page_reader import ORIGIN
from reader import reading
from starlette.applications import Starlette

from service.errors import NotFound
from service.jobs.cohorts import Cohorts
from service.jobs.summaries import Summaries
from service.page.cohort import cohort_routes
from service.page.decision_rows import DecisionRow
from service.page.guard import Guard
from service.page.panel import panel_routes
from service.page.panel_row import RowMaker
from service.page.patient_view import PatientView
from service.page.resources import ResourceView
from service.page.routes import page_routes
from service.page.sign_in import SignIn
from service.page.visit_view import VisitView
from service.security.clients import Clients
from service.security.keys import GivenKeys
from service.security.principal import Principal
from service.security.sealing import Sealing
from service.security.sessions import Sessions
from service.security.signing_keys import SigningKeys
from service.security.tokens import Issuer, TokenVerifier
from service.store.sqlite import SqliteStore

KEY = RSAKey.generate_key(2048, auto_kid=True)
ISSUER = Issuer("https://issuer.example.org", GivenKeys([KEY]), "https://fhir.example.org")


class HandMade:
    """Answers the sample person, or what a test puts in its place."""

    def __init__(self) -> None:
        self.person: PatientView = samples.PERSON
        self.text = "{}"
        self.decided: tuple[DecisionRow, ...] = ()
        self.asked: tuple[str, date | None] | None = None

    async def patient(self, id_: str, day: date | None, _caller: Principal | None = None) -> PatientView:
        self.asked = (id_, day)
        if id_ != self.person.id:
            raise NotFound("There is no such patient.")
        return self.person

    async def visit(self, patient: str, encounter: str, _caller: Principal) -> VisitView:
        raise NotFound(f"There is no visit {encounter} of {patient}.")

    async def decisions(self, _names: dict[str, str], _caller: Principal) -> tuple[DecisionRow, ...]:
        return self.decided

    def today(self) -> date:
        return date(2026, 9, 12)

    async def resource(self, type_: str, id_: str, _caller: Principal) -> ResourceView:
        return ResourceView(f"{type_}/{id_}", 1, "2026-09-11T10:00:00Z", self.text)


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    """The running demo before a browser, one for the tests of a file."""
    with reading(tmp_path_factory.mktemp("demo")) as one:
        yield one


@pytest.fixture(scope="module")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(scope="module")
def there():
    with hospital() as one:
        yield one


@pytest.fixture(scope="module")
async def service(tmp_path_factory, there):
    """One service for all tests, as starting it takes longer than most of them."""
    one = Site(tmp_path_factory.mktemp("site"), there)
    async with one.running():
        yield one


@pytest.fixture
async def site(service, there):
    """The service a while later, when it remembers nothing, before a fresh browser and an honest hospital."""
    service.wait(4_000)
    there.straighten()
    async with service.another_browser() as service.browser:
        service.since = service.now()
        yield service


@pytest.fixture
def views() -> HandMade:
    return HandMade()


@pytest.fixture
def summaries(tmp_path):
    """The rows of an empty store; a test puts people into it."""
    store = SqliteStore(tmp_path / "list.sqlite", clock=now)
    yield Summaries(store, RowMaker(ZONE), ZONE, now)
    asyncio.run(store.close())


@pytest.fixture
def token():
    def make(scope: str = "user/*.rs", lasts: int = 600, fhir_user: str = "") -> str:
        issued = int(time.time())
        claims = {
            "iss": ISSUER.name,
            "aud": ISSUER.audience,
            "sub": "clinician",
            "iat": issued,
            "exp": issued + lasts,
            "scope": scope,
            "fhirUser": fhir_user,
        }
        return jwt.encode({"alg": "RS256", "kid": KEY.kid}, claims, KEY, algorithms=["RS256"])

    return make


async def nothing(_url: str) -> bytes:
    raise AssertionError("these pages fetch nothing")


@pytest.fixture
def cohorts() -> Cohorts:
    """Those of a service without research tables; a test puts others in their place."""
    return Cohorts()


@pytest.fixture
def browser(views, summaries, cohorts):
    """Build a client that nobody has signed in, at an address of choice."""

    def make(address: str = ORIGIN, base_url: str = "") -> httpx.AsyncClient:
        keys = SigningKeys(lambda: summaries.store, time.time)
        guard = Guard(TokenVerifier([ISSUER], time.time), Sealing(keys, time.time), base_url)
        clients = Clients(lambda: summaries.store, time.time, nothing)
        sign_in = SignIn(guard, Sessions(ISSUER, keys, clients, time.time), {})
        listed = panel_routes(lambda _request: summaries, lambda _, __: summaries.store, guard)
        told = cohort_routes(lambda _request: cohorts, guard)
        routes = (*listed, *told, *page_routes(lambda _, __: views, guard, sign_in))
        app = Starlette(routes=list(routes))
        return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=address)

    return make


@pytest.fixture
def get(browser, token):
    """Fetch a page as someone signed in."""

    async def fetch(path: str) -> httpx.Response:
        async with browser() as client:
            return await client.get(path, headers={"Authorization": f"Bearer {token()}"})

    return fetch

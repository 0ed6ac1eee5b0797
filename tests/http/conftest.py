"""A whole service over SQLite in a temporary folder, and a client for each kind of caller."""

import asyncio
import shutil
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path

import pytest
from fastapi import FastAPI
from http_requests import Answered
from httpx import ASGITransport, AsyncClient
from receiving import Receiver, receiving
from running_apps import NOW, running
from ward import Ward

from service.app import create_app
from service.security.development_issuer import DevelopmentIssuer
from service.settings import Settings

SCOPES = {
    "integrator": "system/*.cruds intake",
    "clinician": "user/*.rs intake goal-decisions",
    "researcher": "research-export",
    "auditor": "audit-read",
    "nobody": "launch",
}
ON_BOTH = {
    "test_binary",
    "test_bulk",
    "test_bundle",
    "test_confinement",
    "test_deciding",
    "test_everything",
    "test_fhir",
    "test_history_levels",
    "test_intake",
    "test_label_operations",
    "test_operations_in_bundles",
    "test_odd_requests",
    "test_own_definitions",
    "test_patch_requests",
    "test_research",
    "test_search",
    "test_subscribing",
    "test_token_endpoint",
}
ONE_SERVICE = {"test_access", "test_errors", "test_limits", "test_terminology"}
"""Files whose tests may share one service: what one of them leaves behind no other sees."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Files that ask the store for more than a table look-up run on both engines.

    A fixture that asks for its settings by name would hide the engine, and half of the cases with it.
    """
    if metafunc.module.__name__ in ON_BOTH:
        assert "engine" in metafunc.fixturenames or "app" not in metafunc.fixturenames, metafunc.function
        if "engine" in metafunc.fixturenames:
            metafunc.parametrize("engine", ["sqlite", "postgres"], indirect=True)


@pytest.fixture
def engine(request: pytest.FixtureRequest) -> str:
    """The store's engine."""
    return getattr(request, "param", "sqlite")


def settings_of(folder: Path, key_file: Path, **others: str) -> Settings:
    shutil.copy2(key_file, folder)
    return Settings(
        data_dir=folder,
        development_issuer=True,
        max_body_bytes=200_000,
        max_bundle_entries=100,
        address_rate=0,
        failure_rate=0,
        **others,
    )


@pytest.fixture(scope="module")
def settings_for_all(tmp_path_factory: pytest.TempPathFactory, key_file: Path) -> Settings:
    return settings_of(tmp_path_factory.mktemp("service"), key_file, clinician_reach="everybody")


@pytest.fixture
def settings(key_file: Path, engine: str, request: pytest.FixtureRequest) -> Settings:
    if request.module.__name__ in ONE_SERVICE:
        return request.getfixturevalue("settings_for_all")
    return settings_of(
        request.getfixturevalue("tmp_path"),
        key_file,
        database_url=request.getfixturevalue("database_url") if engine == "postgres" else "",
        outgoing_hosts="127.0.0.1" if "receiver" in request.fixturenames else "",
        # whoever asks for the ward asks who reaches whom
        clinician_reach="care-team" if "ward" in request.fixturenames else "everybody",
    )


@pytest.fixture
def sign(issuer: DevelopmentIssuer) -> Callable[..., str]:
    """Sign a token with these scopes, issued ``age`` seconds ago."""

    def token(scope: str, *, age: float = 0, subject: str = "test") -> str:
        return issuer.sign(subject, scope, now=NOW.timestamp() - age)

    return token


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def clock() -> Callable[[], datetime]:
    """It stands still."""
    return lambda: NOW


@asynccontextmanager
async def recorded(app: FastAPI) -> AsyncIterator[FastAPI]:
    """Run the application; at the end every request it answered must have its AuditEvent."""
    async with running(app) as started:
        answered = Answered(started.front)
        started.front = answered
        yield started
        assert await answered.unrecorded(started.services.store) == Counter()


@pytest.fixture(scope="module")
async def app_for_all(settings_for_all: Settings) -> AsyncIterator[FastAPI]:
    async with recorded(create_app(settings_for_all, clock=lambda: NOW)) as started:
        yield started


@pytest.fixture
async def app_of_one(settings: Settings, clock: Callable[[], datetime]) -> AsyncIterator[FastAPI]:
    async with recorded(create_app(settings, clock=clock)) as started:
        yield started


@pytest.fixture
def app(request: pytest.FixtureRequest, engine: str) -> FastAPI:  # noqa: ARG001 - whoever asks for it runs on both
    """The application: a new one, or in a few files one for all their tests."""
    shared = request.module.__name__ in ONE_SERVICE
    return request.getfixturevalue("app_for_all" if shared else "app_of_one")


@pytest.fixture
async def ward(app: FastAPI, issuer: DevelopmentIssuer) -> AsyncIterator[Ward]:
    """Two patients of two clinicians, on file."""
    ward = Ward(app, issuer, NOW.timestamp)
    await ward.fill()
    yield ward
    await ward.close()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """A subscriber's endpoint on this machine, where the service may then connect to."""
    with receiving(Receiver()) as receiver:
        yield receiver


@pytest.fixture
async def client_of(app: FastAPI, sign: Callable[..., str]) -> AsyncIterator[Callable[[str], AsyncClient]]:
    """Make a client with a role's token, or without one for an unknown role."""
    made: list[AsyncClient] = []

    def client(role: str) -> AsyncClient:
        headers = {"Authorization": f"Bearer {sign(SCOPES[role])}"} if role in SCOPES else {}
        transport = ASGITransport(app)
        made.append(AsyncClient(transport=transport, base_url="http://test", headers=headers))
        return made[-1]

    yield client
    await asyncio.gather(*(one.aclose() for one in made))


@pytest.fixture
def integrator(client_of: Callable[[str], AsyncClient]) -> AsyncClient:
    return client_of("integrator")


@pytest.fixture
def clinician(client_of: Callable[[str], AsyncClient]) -> AsyncClient:
    return client_of("clinician")


@pytest.fixture
def researcher(client_of: Callable[[str], AsyncClient]) -> AsyncClient:
    return client_of("researcher")


@pytest.fixture
def stranger(client_of: Callable[[str], AsyncClient]) -> AsyncClient:
    return client_of("stranger")

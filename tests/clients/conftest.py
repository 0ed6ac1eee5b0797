"""A running service for the clients, over each kind of store, and the token they send."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from databases import database
from processes import serving, token


@dataclass(frozen=True)
class Service:
    base: str
    token: str


@pytest.fixture(scope="module", params=["sqlite", "postgres"])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The data folder of a service over each kind of store."""
    folder = tmp_path_factory.mktemp("service")
    with pytest.MonkeyPatch.context() as environment:
        if request.param == "sqlite":
            yield folder
            return
        with database(request.getfixturevalue("postgres_server")) as url:
            environment.setenv("SWALLOW_DATABASE_URL", url)
            yield folder


@contextmanager
def started(folder: Path, settings: dict[str, str] | None = None) -> Iterator[Service]:
    words = ("serve", "--port", "0", "--development-issuer", "--data-dir", folder)
    with serving(*words, settings=settings) as server:
        yield Service(f"{server.url}/fhir", token(folder).read_text().strip())


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[Service]:
    """It may send notifications to this machine."""
    with started(folder, {"SWALLOW_OUTGOING_HOSTS": "127.0.0.1"}) as service:
        yield service


@pytest.fixture(scope="module")
def one_of_each(
    postgres_server: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Service, Service]]:
    """A service over SQLite and one over PostgreSQL, side by side."""
    here, there = tmp_path_factory.mktemp("sqlite"), tmp_path_factory.mktemp("postgres")
    with (
        database(postgres_server) as url,
        started(here) as one,
        started(there, {"SWALLOW_DATABASE_URL": url}) as other,
    ):
        yield one, other

"""A running service for the clients, over each kind of store, and the token they send."""

from collections.abc import Iterator
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


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[Service]:
    with serving("serve", "--port", "0", "--development-issuer", "--data-dir", folder) as server:
        yield Service(f"{server.url}/fhir", token(folder).read_text().strip())

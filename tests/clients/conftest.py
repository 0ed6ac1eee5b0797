"""A running service for the clients, and the token they send."""

from dataclasses import dataclass

import pytest
from processes import serving, token


@dataclass(frozen=True)
class Service:
    base: str
    token: str


@pytest.fixture(scope="session")
def service(tmp_path_factory):
    folder = tmp_path_factory.mktemp("service")
    with serving("serve", "--port", "0", "--development-issuer", "--data-dir", folder) as server:
        yield Service(f"{server.url}/fhir", token(folder).read_text().strip())

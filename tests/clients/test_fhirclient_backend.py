"""fhirclient completes SMART backend services by its own means.

It finds the token's address in the capability statement, sends the assertion it is given (it makes none
itself), keeps the token and signs what it reads with it.
"""

import importlib.util
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import httpx
import pytest
from fhirclient.client import FHIRClient
from fhirclient.models.observation import Observation
from fhirclient.models.patient import Patient
from fhirclient.server import FHIRPermissionDeniedException
from invented import number, patient
from processes import run, serving

EXAMPLE = Path(__file__).parents[2] / "examples" / "clients" / "backend_token.py"
pytestmark = [
    pytest.mark.published("fhirclient, a client library from PyPI"),
    pytest.mark.conformance("I6"),
]


@pytest.fixture(scope="module")
def example() -> ModuleType:
    spec = importlib.util.spec_from_file_location("backend_token", EXAMPLE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@dataclass(frozen=True)
class Site:
    base: str
    key: Path


@pytest.fixture(scope="module")
def site(folder: Path) -> Iterator[Site]:
    """A service that nobody but a registered system can use, and that system's key."""
    key, at = folder / "lab.json", ("--data-dir", folder)
    run("client", "add", "lab", "--role", "integrator", "--new-key", key, *at)
    with serving("serve", "--port", "0", *at) as server:
        yield Site(f"{server.url}/fhir", key)


@pytest.fixture
def signed_in(site, example):
    def sign_in(scope):
        key = json.loads(site.key.read_bytes())
        address = f"{site.base.removesuffix('/fhir')}/oauth/token"
        settings = {
            "app_id": "lab",
            "api_base": site.base,
            "scope": scope,
            "jwt_token": example.assertion("lab", address, key),
        }
        client = FHIRClient(settings=settings)
        client.prepare()
        client.authorize()
        return client

    return sign_in


def test_a_token_is_fetched_and_used(signed_in):
    client = signed_in("system/*.cruds")
    with client.server.session:
        made = Patient(Patient(patient(number())).create(client.server))
        assert Patient.read(made.id, client.server).id == made.id
        found = Observation.where({"patient": made.id}).perform_resources_iter(client.server)
        assert list(found) == []


def test_a_narrower_token_opens_less(signed_in):
    client = signed_in("system/Patient.rs")
    with client.server.session:
        list(Patient.where({"_id": "nobody"}).perform_resources_iter(client.server))
        with pytest.raises(FHIRPermissionDeniedException):
            list(Observation.where({"_id": "nothing"}).perform_resources_iter(client.server))


def test_the_example_prints_a_token_that_opens_the_service(site, example, capsys):
    example.main(site.base, "lab", str(site.key), "system/*.rs")
    headers = {"Authorization": f"Bearer {capsys.readouterr().out.strip()}"}
    assert httpx.get(f"{site.base}/Patient?_count=0", headers=headers).status_code == 200

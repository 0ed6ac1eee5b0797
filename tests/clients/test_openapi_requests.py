"""Requests made up from the OpenAPI document, sensible and senseless: only declared answers, never 5xx."""

import json

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance

from service.shipped import shipped

LARGE = "/intake/visits"
"""A visit record has so large a schema that going through every edge of it takes a minute."""
KNOWN = {"type": "Patient", "compartment": "Patient", "id": "there", "version": "1"}
PATIENT = {"resourceType": "Patient", "id": "there", "name": [{"family": "Fuzzed"}]}
document = json.loads(shipped("openapi", "openapi.json").read_text("utf-8"))
schema = schemathesis.openapi.from_dict(document)
random_only = schemathesis.openapi.from_dict(
    document, config=schemathesis.Config.from_dict({"phases": {"coverage": {"enabled": False}}})
)
CHECKS = [not_a_server_error, status_code_conformance, response_schema_conformance]


@pytest.fixture(scope="module")
def send(one_of_each):
    """A function that sends a case to a service over each kind of store, and looks at the answers.

    Making a case up takes longer than answering it.
    """
    headers = {
        one.base.removesuffix("/fhir"): {"Authorization": f"Bearer {one.token}"} for one in one_of_each
    }
    for base, signed in headers.items():
        httpx.put(f"{base}/fhir/Patient/there", json=PATIENT, headers=signed).raise_for_status()

    def sent(case):
        for base, signed in headers.items():
            case.call_and_validate(base_url=base, headers=signed, checks=CHECKS)

    return sent


def bounded(examples):
    return settings(
        max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True
    )


@pytest.mark.conformance("A15", "L7")
@schema.exclude(path=LARGE).parametrize()
@bounded(15)
def test_answers_are_as_declared(case, send):
    send(case)
    if "id" in case.path_parameters:  # made-up ids are never there
        case.path_parameters = {name: KNOWN.get(name, value) for name, value in case.path_parameters.items()}
        send(case)


@random_only.include(path=LARGE).parametrize()
@bounded(3)
def test_answers_to_records_are_as_declared(case, send):
    send(case)

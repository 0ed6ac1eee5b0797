"""fhirclient, a client library from PyPI with a class per resource type, does what its users would do."""

import pytest
from fhirclient.auth import FHIRAuth
from fhirclient.models.bundle import Bundle
from fhirclient.models.capabilitystatement import CapabilityStatement
from fhirclient.models.observation import Observation
from fhirclient.models.parameters import Parameters
from fhirclient.models.patient import Patient
from fhirclient.server import FHIRNotFoundException, FHIRServer
from invented import BODY_WEIGHT, PATIENTS, number, patient, transaction, weight
from requests import HTTPError

pytestmark = pytest.mark.published("fhirclient, a client library from PyPI")


@pytest.fixture
def fhir(service):
    server = FHIRServer(None, base_uri=service.base)
    server.auth = FHIRAuth.create("oauth2", state={"access_token": service.token})
    with server.session:
        yield server


@pytest.fixture
def person(fhir):
    return _created(fhir, Patient(patient(number())))


@pytest.mark.conformance("G1")
def test_the_capability_statement_is_read_by_its_classes(fhir):
    statement = CapabilityStatement.read_from("metadata", fhir)
    assert (statement.fhirVersion, statement.kind) == ("4.0.1", "instance")
    assert "Observation" in {one.type for one in statement.rest[0].resource}


@pytest.mark.conformance("B1", "B5", "B8", "B20")
def test_create_read_update_delete(fhir, person):
    person.name[0].family = "Renamed"
    assert person.update(fhir)["meta"]["versionId"] == "2"
    assert Patient.read(person.id, fhir).name[0].family == "Renamed"
    person.delete(fhir)
    with pytest.raises(HTTPError, match="410"):
        Patient.read(person.id, fhir)
    with pytest.raises(FHIRNotFoundException):
        Patient.read("never-there", fhir)


@pytest.mark.conformance("B4", "B23")
def test_versions_and_history_of_instance_type_and_system(fhir, person):
    person.active = True
    person.update(fhir)
    assert Patient.read_from(f"Patient/{person.id}/_history/1", fhir).active is None
    for path in (f"Patient/{person.id}/_history", "Patient/_history", "_history"):
        history = Bundle.read_from(f"{path}?_count=50", fhir)
        versions = [
            entry.resource.meta.versionId
            for entry in history.entry
            if entry.resource and entry.resource.id == person.id
        ]
        assert (history.type, versions) == ("history", ["2", "1"])


@pytest.mark.conformance("B16")
def test_patch_through_the_session_it_signs(fhir, person):
    headers = fhir.auth.signed_headers({"Content-Type": "application/json-patch+json"})
    body = [{"op": "replace", "path": "/name/0/family", "value": "Patched"}]
    address = f"{fhir.base_uri}Patient/{person.id}"
    fhir.session.patch(address, json=body, headers=headers).raise_for_status()
    assert Patient.read(person.id, fhir).name[0].family == "Patched"
    failing = [{"op": "test", "path": "/name/0/family", "value": "Other"}, {"op": "remove", "path": "/name"}]
    assert 400 <= fhir.session.patch(address, json=failing, headers=headers).status_code < 500
    assert Patient.read(person.id, fhir).name[0].family == "Patched"


@pytest.mark.conformance("C1", "C5", "D4", "D5")
def test_transaction_and_paging_to_the_end(fhir):
    answer = Bundle(Bundle(transaction(number(), 25)).create(fhir))
    assert (answer.type, len(answer.entry)) == ("transaction-response", 26)
    id_ = answer.entry[0].response.location.split("/")[-3]
    search = Observation.where({"patient": f"Patient/{id_}", "code": BODY_WEIGHT, "_count": "10"})
    ids = [one.id for one in search.perform_resources_iter(fhir)]
    assert len(ids) == len(set(ids)) == 25
    pages = [len(page.entry) for page in search.perform_iter(fhir)]
    assert pages == [10, 10, 5]


@pytest.mark.conformance("B12")
def test_conditional_create(fhir, person):
    number_ = person.identifier[0].value
    headers = fhir.auth.signed_headers({"If-None-Exist": f"identifier={PATIENTS}|{number_}"})
    answer = fhir.session.post(f"{fhir.base_uri}Patient", json=patient(number_), headers=headers)
    assert (answer.status_code, answer.json()["id"]) == (200, person.id)
    found = Patient.where({"identifier": f"{PATIENTS}|{number_}"}).perform_resources_iter(fhir)
    assert [one.id for one in found] == [person.id]


@pytest.mark.conformance("D29")
def test_compartment_search(fhir, person):
    other = _created(fhir, Patient(patient(number())))
    for subject in (person, other):
        _created(fhir, Observation(weight(f"Patient/{subject.id}")))
    found = Bundle.read_from(f"Patient/{person.id}/Observation?code={BODY_WEIGHT}", fhir)
    assert [entry.resource.subject.reference for entry in found.entry] == [f"Patient/{person.id}"]


@pytest.mark.conformance("D22", "D23")
def test_search_with_includes_in_order(fhir, person):
    for day in ("2026-03-06", "2026-03-08", "2026-03-07"):
        _created(fhir, Observation(weight(f"Patient/{person.id}", day=day)))
    search = Observation.where({"subject": f"Patient/{person.id}", "_sort": "-date"}).include("subject")
    found = list(search.perform_resources_iter(fhir))
    assert [one.resource_type for one in found] == ["Observation"] * 3 + ["Patient"]
    assert [one.as_json()["effectiveDateTime"][-2:] for one in found[:3]] == ["08", "07", "06"]


@pytest.mark.conformance("F1", "F2")
def test_operations(fhir, person):
    _created(fhir, Observation(weight(f"Patient/{person.id}")))
    everything = Bundle.read_from(f"Patient/{person.id}/$everything", fhir)
    assert {entry.resource.resource_type for entry in everything.entry} == {"Patient", "Observation"}
    assert Parameters.read_from(f"Patient/{person.id}/$goal-attainment", fhir).resource_type == "Parameters"


def _created(fhir, resource):
    return type(resource)(resource.create(fhir))

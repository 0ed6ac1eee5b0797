"""fhirpy, a client library from PyPI, does what its users would do."""

import pytest
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import MultipleResourcesFound, OperationOutcome, ResourceNotFound
from invented import BODY_WEIGHT, PATIENTS, fhirpath_patch, number, patient, transaction, weight

pytestmark = pytest.mark.published("fhirpy, a client library from PyPI")


@pytest.fixture
def fhir(service):
    # its count() sends a parameter of another service's own, which a strict search refuses
    return SyncFHIRClient(
        service.base,
        authorization=f"Bearer {service.token}",
        extra_headers={"Prefer": "handling=lenient"},
    )


@pytest.fixture
def person(fhir):
    return fhir.resource(**_words(patient(number()))).create()


@pytest.mark.conformance("B1", "B5", "B8", "B20")
def test_create_read_update_delete(fhir, person):
    person["name"][0]["family"] = "Renamed"
    person.update()
    assert person["meta"]["versionId"] == "2"
    assert fhir.reference("Patient", person.id).to_resource()["name"][0]["family"] == "Renamed"
    person.delete()
    with pytest.raises(ResourceNotFound):
        fhir.reference("Patient", person.id).to_resource()


@pytest.mark.conformance("B4", "B23")
def test_versions_and_history_of_instance_type_and_system(fhir, person):
    person["active"] = True
    person.update()
    first = fhir.execute(f"Patient/{person.id}/_history/1", method="get")
    assert "active" not in first
    for path in (f"Patient/{person.id}/_history", "Patient/_history", "_history"):
        history = fhir.execute(path, method="get", params={"_count": 50})
        versions = [
            entry["resource"]["meta"]["versionId"]
            for entry in history["entry"]
            if entry.get("resource", {}).get("id") == person.id
        ]
        assert (history["type"], versions) == ("history", ["2", "1"])


@pytest.mark.conformance("B17", "B19")
def test_patch(fhir, person):
    body = fhirpath_patch("Patient.name[0].family", "Patched")
    patched = fhir.execute(f"Patient/{person.id}", method="patch", data=body)
    assert (patched["name"][0]["family"], patched["meta"]["versionId"]) == ("Patched", "2")
    with pytest.raises(OperationOutcome):
        fhir.execute(
            f"Patient/{person.id}", method="patch", data=fhirpath_patch("Patient.nothing.there", "x")
        )


@pytest.mark.conformance("C1", "C5", "D4")
def test_transaction_and_paging_to_the_end(fhir):
    answer = fhir.execute("", data=transaction(number(), 25))
    assert {entry["response"]["status"][:3] for entry in answer["entry"]} == {"201"}
    id_ = answer["entry"][0]["response"]["location"].split("/")[-3]
    found = fhir.resources("Observation").search(patient=f"Patient/{id_}", code=BODY_WEIGHT).limit(10)
    assert found.count() == 25
    ids = [one.id for one in found.fetch_all()]
    assert len(ids) == len(set(ids)) == 25
    assert len(found.fetch()) == 10


@pytest.mark.conformance("B12", "B13", "B14")
def test_conditional_create_update_and_delete(fhir):
    value = number()
    mine = fhir.resources("Patient").search(identifier=f"{PATIENTS}|{value}")
    person, created = mine.update(fhir.resource(**_words(patient(value))))
    assert created
    same, created = mine.update(fhir.resource(**_words(patient(value, "Twice"))))
    assert (same.id, same["name"][0]["family"], created) == (person.id, "Twice", False)
    again = fhir.execute("", data=_if_none_exist(value))["entry"][0]["response"]
    assert (again["status"][:3], again["location"].split("/")[-3]) == ("200", person.id)
    fhir.resource(**_words(patient(value, "Doubled"))).create()
    with pytest.raises(MultipleResourcesFound):
        mine.delete()
    assert len(mine.fetch()) == 2


@pytest.mark.conformance("D29")
def test_compartment_search(fhir, person):
    other = fhir.resource(**_words(patient(number()))).create()
    for subject in (person, other):
        fhir.resource(**_words(weight(f"Patient/{subject.id}"))).create()
    found = fhir.execute(f"Patient/{person.id}/Observation", method="get", params={"code": BODY_WEIGHT})
    subjects = [entry["resource"]["subject"]["reference"] for entry in found["entry"]]
    assert subjects == [f"Patient/{person.id}"]


@pytest.mark.conformance("D20", "D21", "D22", "D23", "D24")
def test_search_with_chains_includes_and_elements(fhir, person):
    for day in ("2026-03-06", "2026-03-08", "2026-03-07"):
        fhir.resource(**_words(weight(f"Patient/{person.id}", day=day))).create()
    observations = fhir.resources("Observation")
    chained = observations.search(patient__Patient__identifier=person["identifier"][0]["value"])
    assert [one["effectiveDateTime"][-2:] for one in chained.sort("-date").fetch()] == ["08", "07", "06"]
    bundle = chained.include("Observation", "patient").fetch_raw()
    assert [entry["search"]["mode"] for entry in bundle["entry"]] == ["match"] * 3 + ["include"]
    people = fhir.resources("Patient").search(_id=person.id)
    assert len(people.has("Observation", "patient", code=BODY_WEIGHT).fetch()) == 1
    assert len(people.revinclude("Observation", "patient").fetch_raw()["entry"]) == 4
    small = people.elements("birthDate").fetch()[0]
    assert "name" not in small


@pytest.mark.conformance("F1", "F2")
def test_operations(fhir, person):
    fhir.resource(**_words(weight(f"Patient/{person.id}"))).create()
    everything = person.execute("$everything", method="get")
    assert {entry["resource"]["resourceType"] for entry in everything["entry"]} == {"Patient", "Observation"}
    assert person.execute("$goal-attainment", method="get")["resourceType"] == "Parameters"


def _words(resource):
    """A resource as the client takes it: the type beside the other elements."""
    return {"resource_type": resource["resourceType"]} | {
        name: value for name, value in resource.items() if name != "resourceType"
    }


def _if_none_exist(value):
    request = {"method": "POST", "url": "Patient", "ifNoneExist": f"identifier={PATIENTS}|{value}"}
    entry = {"resource": patient(value), "request": request}
    return {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}

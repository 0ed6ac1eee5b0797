"""Where a reference in an entry leads (bundle.html, resolving references), for base and profiles alike."""

import pytest

from service.fhir.validation.entries import Entries
from service.fhir.validation.profiles.scope import Scope as ProfileScope
from service.fhir.validation.scope import Scope
from service.fhir.validation.targets import leads_to, type_in

ROOT = "http://example.org/fhir"
UUID = "c757873d-ec9a-4326-a141-556f43239520"


def patient(id_, **more):
    return {"resourceType": "Patient", "id": id_, **more}


GROUP = {"resourceType": "Group", "id": "g"}
BUNDLE = {
    "resourceType": "Bundle",
    "type": "collection",
    "entry": [
        {"fullUrl": f"{ROOT}/Observation/o", "resource": {"resourceType": "Observation", "id": "o"}},
        {"fullUrl": "urn:uuid:1", "resource": {"resourceType": "Observation", "id": "u"}},
        {"fullUrl": f"{ROOT}/Patient/a", "resource": patient("a")},
        {"fullUrl": f"{ROOT}/Patient/v", "resource": patient("v", meta={"versionId": "1"})},
        {"fullUrl": f"{ROOT}/Patient/v", "resource": patient("v", meta={"versionId": "2"})},
        {"fullUrl": "http://other.example/Patient/b", "resource": patient("b")},
        {"fullUrl": f"urn:uuid:{UUID}", "resource": GROUP},
        {"resource": patient("c")},
    ],
}


@pytest.mark.conformance("E9")
@pytest.mark.published("FHIR R4 bundle.html#references")
@pytest.mark.parametrize(
    ("source", "reference", "ids"),
    [
        (0, "Patient/a", ["a"]),
        (0, f"{ROOT}/Patient/a", ["a"]),
        (0, "Patient/b", []),
        (0, "http://other.example/Patient/b", ["b"]),
        (0, "Patient/c", []),
        (0, f"urn:uuid:{UUID}", ["g"]),
        (0, "Patient/v/_history/2", ["v"]),
        (0, "Patient/v", ["v", "v"]),
        (0, "Patient/v/_history/3", []),
        (1, "Patient/a", []),
        (1, f"{ROOT}/Patient/a", ["a"]),
        (1, "urn:uuid:1", ["u"]),
    ],
)
def test_both_checks_go_the_same_way(source, reference, ids):
    entries, resource = Entries(BUNDLE), BUNDLE["entry"][source]["resource"]
    assert [one["id"] for one in entries.found(reference, resource)] == ids
    by_profile = ProfileScope(resource, entries=entries).resolve(reference)
    assert (by_profile and by_profile["id"]) == (ids[0] if len(ids) == 1 else None)
    by_base = leads_to(reference, Scope(resource, Scope(BUNDLE)))
    found = {one["resourceType"] for one in entries.found(reference, resource)}
    assert by_base == (found or {type_in(reference)} - {""})


@pytest.mark.published("FHIR R4 references.html#literal")
@pytest.mark.parametrize(
    ("reference", "type_"),
    [
        ("Patient/1", "Patient"),
        ("Patient/1/_history/2", "Patient"),
        ("http://example.org/a/Patient/1", "Patient"),
        ("https://example.org/Patient/1/_history/2#a", "Patient"),
        ("Patient?identifier=a|b", "Patient"),
        ("patient/1", ""),
        ("http://example.org/some/thing", ""),
        ("urn:uuid:1", ""),
        ("#a", ""),
        ("Patient", ""),
    ],
)
def test_the_type_a_reference_names(reference, type_):
    assert type_in(reference) == type_

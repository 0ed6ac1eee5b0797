"""Referential integrity, where it is asked for (FHIR R4 references.html)."""

import pytest

from service.errors import Conflict, RuleViolation

PATIENT = {"resourceType": "Patient", "id": "p"}
GOAL = {
    "resourceType": "Goal",
    "id": "g",
    "lifecycleStatus": "active",
    "description": {"text": "x"},
    "subject": {"reference": "Patient/p"},
}

pytestmark = pytest.mark.conformance("B27", "B21")


@pytest.fixture
def strict(client_with):
    return client_with(enforce_references=True)


def transaction(*entries):
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {"request": {"method": method, "url": url}, **({"resource": tree} if tree else {})}
            for method, url, tree in entries
        ],
    }


def with_subject(reference):
    return GOAL | {"subject": {"reference": reference}}


def test_by_default_references_may_lead_nowhere(client):
    assert client.update(GOAL).outcome == "created"
    assert client.delete("Patient", "p").outcome == "deleted"


@pytest.mark.parametrize(
    "reference", ["Patient/p", "Patient/p/_history/1", "https://here.example/fhir/Patient/p", "Patient/p#x"]
)
def test_a_local_reference_must_lead_somewhere(strict, reference):
    with pytest.raises(RuleViolation, match="Patient/p, which is not stored here"):
        strict.update(with_subject(reference))
    strict.update(PATIENT)
    assert strict.update(with_subject(reference)).outcome == "created"


@pytest.mark.parametrize("reference", ["https://elsewhere.example/fhir/Patient/p", "urn:uuid:1", "#p"])
def test_other_references_are_not_ours_to_check(strict, reference):
    tree = with_subject(reference)
    if reference.startswith("#"):
        tree |= {"contained": [PATIENT]}
    assert strict.update(tree).outcome == "created"


def test_references_anywhere_are_looked_at(strict):
    extension = {"url": "urn:x", "valueReference": {"reference": "Device/none"}}
    with pytest.raises(RuleViolation, match="Device/none"):
        strict.update(PATIENT | {"extension": [extension]})


def test_a_deleted_resource_is_no_target(strict):
    strict.update(PATIENT)
    strict.delete("Patient", "p")
    with pytest.raises(RuleViolation):
        strict.update(GOAL)


def test_deleting_what_is_referred_to_names_the_referrers(strict):
    strict.update(PATIENT)
    strict.update(GOAL)
    with pytest.raises(Conflict, match="Goal/g"):
        strict.delete("Patient", "p")
    assert not strict.read("Patient", "p").deleted
    strict.delete("Goal", "g")
    assert strict.delete("Patient", "p").outcome == "deleted"


def test_referrers_no_search_parameter_finds_count_too(strict):
    strict.update({"resourceType": "Device", "id": "d"})
    extension = {"url": "urn:x", "valueReference": {"reference": "Device/d"}}
    strict.update(PATIENT | {"extension": [extension]})
    with pytest.raises(Conflict, match="Patient/p"):
        strict.delete("Device", "d")


def test_many_referrers_are_not_all_named(strict):
    strict.update(PATIENT)
    for number in range(12):
        strict.update(GOAL | {"id": f"g{number}"})
    with pytest.raises(Conflict, match="g9 and others"):
        strict.delete("Patient", "p")


def test_a_transaction_is_looked_at_as_a_whole(strict):
    written = strict.process(transaction(("PUT", "Goal/g", GOAL), ("PUT", "Patient/p", PATIENT)))
    assert [one["response"]["status"][:3] for one in written["entry"]] == ["201", "201"]
    gone = strict.process(transaction(("DELETE", "Patient/p", None), ("DELETE", "Goal/g", None)))
    assert [one["response"]["status"][:3] for one in gone["entry"]] == ["204", "204"]


def test_a_transaction_that_leaves_a_dangling_reference_leaves_nothing(strict):
    with pytest.raises(RuleViolation) as refused:
        strict.process(transaction(("PUT", "Patient/q", PATIENT | {"id": "q"}), ("PUT", "Goal/g", GOAL)))
    assert refused.value.issues[0].place.expression == "Bundle.entry[1]"
    assert strict.search("Patient")["total"] == 0

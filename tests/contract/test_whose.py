"""Whose a version is, and the conditions that confine a search to some people's resources."""

import asyncio
import json

import pytest

from service.fhir.confidentiality import CONFIDENTIALITY
from service.fhir.search_keys import extract
from service.fhir.search_query import (
    AnyOf,
    Chain,
    Clause,
    Has,
    Linked,
    Not,
    OfPatient,
    OfType,
    ReferenceValue,
    TokenValue,
)
from service.fhir.search_values import SearchKeys
from service.store.contract import History, Page, Query

ANN, BEN = {"reference": "Patient/ann"}, {"reference": "Patient/ben"}
WITH_DOCTOR = Clause(("Patient.general-practitioner",), "reference", (ReferenceValue(("Practitioner/d",)),))
ON_TEAM = Clause(("CareTeam.participant",), "reference", (ReferenceValue(("Practitioner/t",)),))
ACTIVE = Clause(("CareTeam.status",), "token", (TokenValue(None, "active"),))
DOCTORS = OfPatient((Linked("Patient", WITH_DOCTOR),))
TEAMS = OfPatient((Linked("CareTeam", AnyOf(((ON_TEAM, ACTIVE),))),))
FINAL = Clause(("Observation.status",), "token", (TokenValue(None, "final"),))
LABELLED = Clause(("Resource._security",), "token", (TokenValue(CONFIDENTIALITY, "R"),), wide=True)


def observation(id_, subject, status="final", **more):
    return {"resourceType": "Observation", "id": id_, "status": status, "subject": subject, **more}


def label(code):
    return {"security": [{"system": CONFIDENTIALITY, "code": code}]}


def team(id_, subject, status="active"):
    member = {"reference": "Practitioner/t"}
    return {
        "resourceType": "CareTeam",
        "id": id_,
        "status": status,
        "subject": subject,
        "participant": [{"member": member}],
    }


def consent(id_, patient, **more):
    return {"resourceType": "Consent", "id": id_, "status": "active", "patient": patient, **more}


ESCAPED = json.dumps({"meta": label("R"), "x": "y"}).replace("C", r"\u0043").encode()
FILED = (
    {"resourceType": "Patient", "id": "ann", "generalPractitioner": [{"reference": "Practitioner/d"}]},
    {"resourceType": "Patient", "id": "ben"},
    {"resourceType": "Practitioner", "id": "d"},
    observation("ann-final", ANN),
    observation("ann-draft", ANN, "preliminary"),
    observation("ben-final", BEN, meta=label("R")),
    observation("ben-draft", BEN, "preliminary", meta=label("N")),
    observation("both", ANN, performer=[BEN]),
    observation("group", {"reference": "Group/g"}),
    {
        "resourceType": "Provenance",
        "id": "of-ann",
        "target": [{"reference": "Observation/ann-final"}, {"reference": "Practitioner/d"}],
    },
    {
        "resourceType": "Provenance",
        "id": "of-both",
        "target": [{"reference": "Observation/ann-final"}, {"reference": "Observation/ben-final"}],
    },
    {"resourceType": "Provenance", "id": "of-none", "target": [{"reference": "Observation/nowhere"}]},
    team("now", BEN),
    team("once", ANN, "inactive"),
)


def run(work):
    return asyncio.run(work)


def write(store, *trees):
    async def work(txn):
        for tree in trees:
            content = json.dumps(tree).encode()
            await txn.put(tree["resourceType"], tree["id"], content, extract(tree))

    run(store.write("put", work))


@pytest.fixture
def filed(store):
    write(store, *FILED)
    return store


def found(store, type_, *conditions, **more):
    return {one.id for one in run(store.search(Query(type_, conditions, **more))).versions}


def test_a_version_tells_whose_it_is(filed):
    def whose(type_, id_):
        return run(filed.read(type_, id_)).patient

    assert whose("Patient", "ann") == whose("Observation", "ann-final") == "ann"
    assert whose("Practitioner", "d") == whose("Observation", "both") == whose("Observation", "group") == ""
    assert run(filed.vread("Observation", "ben-final", 1)).patient == "ben"
    assert {one.patient for one in run(filed.history(History(("CareTeam",)))).versions} == {"ann", "ben"}
    page: Page = run(filed.search(Query("Observation")))
    assert {one.id: one.patient for one in page.versions}["ben-draft"] == "ben"

    async def changed():
        return {one.id: one.patient async for one in filed.changes()}

    assert run(changed())["ann-draft"] == "ann"


def test_a_provenance_is_about_whom_its_targets_are_about(filed):
    assert run(filed.read("Provenance", "of-ann")).patient == "ann"
    assert run(filed.read("Provenance", "of-both")).patient == ""
    assert run(filed.read("Provenance", "of-none")).patient == ""
    first = {"resourceType": "Provenance", "id": "first", "target": [{"reference": "Observation/later"}]}
    write(filed, first, observation("later", BEN))
    assert run(filed.read("Provenance", "first")).patient == "ben"


def test_a_transaction_tells_whose_its_versions_are(filed):
    async def work(txn):
        tree = observation("new", ANN)
        put = await txn.put("Observation", "new", json.dumps(tree).encode(), extract(tree))
        again = await txn.read("Observation", "new")
        old = await txn.read("Observation", "ben-final")
        searched = await txn.search(Query("Observation", (FINAL, DOCTORS)))
        return put.patient, again.patient, old.patient, {one.id for one in searched.versions}

    assert run(filed.write("work", work)) == ("ann", "ann", "ben", {"ann-final", "new"})


def test_a_version_tells_that_its_patient_withholds_something(filed):
    deny = {"type": "permit", "provision": [{"type": "deny"}]}
    write(filed, consent("open", ANN, provision={"type": "permit"}))
    assert not run(filed.read("Observation", "ann-final")).restricted
    write(filed, consent("closed", ANN, provision=deny), consent("past", BEN, status="inactive"))
    assert run(filed.read("Observation", "ann-final")).restricted
    assert run(filed.read("Patient", "ann")).restricted
    assert not run(filed.read("Observation", "ben-final")).restricted
    assert not run(filed.read("Observation", "both")).restricted
    assert not run(filed.read("Practitioner", "d")).restricted
    everywhere = Clause(("Consent.withholds",), "token", (TokenValue(None, "use"),), wide=True)
    assert found(filed, "Consent", everywhere) == {"closed"}
    write(filed, consent("closed", ANN, provision={"type": "permit"}))
    assert not run(filed.read("Observation", "ann-final")).restricted


def test_each_version_tells_whether_it_is_labelled(store):
    other = {"system": "http://example.org", "code": "R"}
    every = {
        "r": (label("R"), True),
        "v": ({"security": [*label("N")["security"], *label("V")["security"]]}, True),
        "n": ({"security": [*label("N")["security"], other]}, False),
        "half": ({"security": [{"code": "R"}, {"system": CONFIDENTIALITY}]}, False),
        "none": ({}, False),
    }
    labelled = {id_: bears for id_, (_, bears) in every.items()}
    write(store, *(observation(id_, ANN) for id_ in every))
    write(store, *(observation(id_, ANN, meta=meta) for id_, (meta, _) in every.items()))

    async def work(txn):
        read = [(await txn.read("Observation", id_)).labelled for id_ in every]
        escaped = await txn.put("Observation", "r", ESCAPED, SearchKeys())
        return read, escaped.labelled, (await txn.delete("Observation", "r")).labelled

    assert {id_: run(store.read("Observation", id_)).labelled for id_ in every} == labelled
    found = run(store.search(Query("Observation"))).versions
    assert {one.id: one.labelled for one in found} == labelled
    assert not run(store.vread("Observation", "r", 1)).labelled
    assert run(store.write("work", work)) == ([*labelled.values()], True, False)
    page = run(store.history(History(("Observation",), "r")))
    assert [one.labelled for one in page.versions] == [False, True, True, False]


def test_of_patient_keeps_to_the_people_that_other_resources_are_about(filed):
    assert found(filed, "Observation", DOCTORS) == {"ann-final", "ann-draft"}
    assert found(filed, "Observation", TEAMS) == {"ben-final", "ben-draft"}
    assert found(filed, "Patient", TEAMS) == {"ben"}
    assert found(filed, "Patient", DOCTORS, also=("CareTeam",)) == {"ann", "once"}
    assert found(filed, "Practitioner", DOCTORS) == set()
    assert found(filed, "Provenance", DOCTORS) == {"of-ann"}
    assert run(filed.search(Query("Observation", (TEAMS,), count=0))).total == 2


def test_any_of_not_and_of_type(filed):
    either = AnyOf(((DOCTORS, FINAL), (TEAMS, Not(FINAL))))
    assert found(filed, "Observation", either) == {"ann-final", "ben-draft"}
    assert found(filed, "Observation", AnyOf(())) == set()
    assert found(filed, "Observation", AnyOf(((),)), FINAL, DOCTORS) == {"ann-final"}
    assert found(filed, "Patient", OfType(("CareTeam",)), also=("CareTeam",)) == {"now", "once"}
    assert found(filed, "Observation", Not(LABELLED), TEAMS) == {"ben-draft"}
    subject = Clause(("Observation.subject",), "reference", (ReferenceValue(("Patient/ben",)),))
    assert found(filed, "Observation", subject, Not(LABELLED)) == {"ben-draft"}
    assert found(filed, "Observation", subject, DOCTORS) == set()


def test_they_hold_at_the_other_end_of_a_reference(filed):
    anybody = Clause(("Resource._id",), "id", ("ann", "ben"))
    chained = Chain(("Observation.subject",), (Linked("Patient", AnyOf(((anybody, TEAMS),))),))
    assert found(filed, "Observation", chained) == {"ben-final", "ben-draft"}
    having = Has(("Observation.subject",), Linked("Observation", AnyOf(((FINAL, Not(LABELLED)),))))
    assert found(filed, "Patient", having) == {"ann"}
    assert found(filed, "Patient", Has(("Observation.subject",), Linked("Observation", TEAMS))) == {"ben"}


def test_a_deleted_team_no_longer_counts(filed):
    async def work(txn):
        await txn.delete("CareTeam", "now")

    run(filed.write("delete", work))
    assert found(filed, "Observation", TEAMS) == set()
    assert run(filed.read("CareTeam", "now")).patient == ""

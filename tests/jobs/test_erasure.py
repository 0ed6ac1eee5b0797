"""Erasing a person: what goes, what stays for others, and that nothing comes back; on both stores."""

import asyncio
import json
from contextlib import aclosing
from datetime import UTC, datetime

import pytest

from service.errors import Conflict
from service.fhir.search_keys import extract
from service.fhir.search_query import Clause, ReferenceValue
from service.jobs.erasure import Eraser, Erasure, erasures
from service.store import feeds
from service.store.archive import Kept
from service.store.contract import History, Query, VisitKey
from service.store.entries import Entry

NOW = datetime(2026, 2, 4, 10, 0, tzinfo=UTC)
ANN, BEN = {"reference": "Patient/ann", "display": "Ann Planted"}, {"reference": "Patient/ben"}
ERASURE = Erasure("2026-02-04T10:00:00.000Z", "asked by letter", "person", "root")


def run(work):
    return asyncio.run(work)


def observation(id_, subject, **more):
    return {"resourceType": "Observation", "id": id_, "status": "final", "subject": subject, **more}


def provenance(id_, *targets):
    return {"resourceType": "Provenance", "id": id_, "target": [{"reference": one} for one in targets]}


FILED = (
    {"resourceType": "Patient", "id": "ann", "name": [{"family": "Planted", "given": ["Ann"]}]},
    {"resourceType": "Patient", "id": "ben", "name": [{"family": "Other"}]},
    {"resourceType": "Patient", "id": "annex", "name": [{"family": "Unplanned"}]},
    observation("hers", ANN, code={"text": "as Planted says"}),
    observation("deleted", ANN),
    observation("his", BEN, code={"text": "as others say"}),
    observation("misfiled", ANN),
    observation("both", BEN, performer=[ANN], text={"status": "generated", "div": "<div>Planted</div>"}),
    observation("longer", {"reference": "Patient/annex"}),
    {"resourceType": "Group", "id": "g", "member": [{"entity": ANN}, {"entity": BEN}]},
    {"resourceType": "Device", "id": "d", "patient": ANN},
    {"resourceType": "Practitioner", "id": "p"},
    provenance("of-hers", "Observation/hers/_history/1", "Practitioner/p"),
    provenance("of-both", "Observation/hers", "Observation/his"),
    provenance("was-of-hers", "Observation/hers"),
    {
        "resourceType": "Binary",
        "id": "b1",
        "contentType": "text/plain",
        "securityContext": ANN,
        "data": "UA==",
    },
    {"resourceType": "Binary", "id": "b2", "contentType": "text/plain", "data": "UA=="},
    {"resourceType": "Binary", "id": "b3", "contentType": "text/plain", "data": "UA=="},
    {
        "resourceType": "DocumentReference",
        "id": "doc",
        "status": "current",
        "subject": ANN,
        "content": [{"attachment": {"url": "Binary/b2"}}, {"attachment": {"url": "Binary/b3"}}],
    },
    {
        "resourceType": "DocumentReference",
        "id": "his-doc",
        "status": "current",
        "subject": BEN,
        "content": [{"attachment": {"url": "Binary/b3"}}],
    },
)


def keys_of(version):
    return extract(json.loads(version.content))


def write(store, *trees):
    async def work(txn):
        for tree in trees:
            await txn.put(tree["resourceType"], tree["id"], json.dumps(tree).encode(), extract(tree))

    run(store.write("put", work))


@pytest.fixture
def store(opening):
    store = opening(lambda: NOW)
    write(store, *FILED)
    write(store, observation("misfiled", BEN), observation("hers", ANN, code={"text": "as Planted says now"}))

    async def more(txn):
        await txn.delete("Observation", "deleted")
        await txn.delete("Provenance", "was-of-hers")
        await txn.claim_visit(VisitKey("s", "v1", "ann", "t1"))
        await txn.claim_visit(VisitKey("s", "v2", "ben", "t1"))

    run(store.write("more", more))
    yield store
    run(store.close())


def found_in(store, eraser, patient="ann"):
    return run(eraser.look(store, patient, lambda _done, _all: None))


def erase(store, patient="ann"):
    eraser = Eraser(keys_of, "")
    return run(eraser.erase(store, found_in(store, eraser, patient), ERASURE, [], {}))


def everything(store):
    async def collect():
        async with aclosing(store.rows()) as rows:
            return [row async for row in rows]

    return run(collect())


def names(store):
    return {f"{one.version.type}/{one.version.id}" for one in everything(store) if isinstance(one, Kept)}


def read(store, type_, id_):
    return run(store.read(type_, id_))


def test_who_was_merged_into_somebody_goes_first(store):
    link = {"other": {"reference": "Patient/ann"}, "type": "replaced-by"}
    write(store, {"resourceType": "Patient", "id": "anna", "active": False, "link": [link]})
    write(store, observation("late", {"reference": "Patient/anna"}))
    with pytest.raises(Conflict, match=r"Patient/anna was merged into Patient/ann: .* erase it first"):
        erase(store)
    assert erase(store, "anna").resources == {"Observation": 1, "Patient": 1}
    assert erase(store).resources["Patient"] == 1


def test_everything_of_one_person_goes_and_nothing_of_others(store):
    before = names(store)
    newest = max(one.version.sequence for one in everything(store) if isinstance(one, Kept))
    erased = erase(store)
    gone = {"hers", "deleted", "d", "of-hers", "was-of-hers", "b1", "b2", "doc"}
    assert {name.partition("/")[2] for name in before - names(store)} == gone
    assert erased.resources == {
        "Binary": 2,
        "Device": 1,
        "DocumentReference": 1,
        "Observation": 2,
        "Patient": 1,
        "Provenance": 2,
    }
    assert (erased.visits, erased.past) == (1, ["Observation/misfiled"])
    assert erased.loses == ["Group/g", "Observation/both", "Provenance/of-both"]
    assert erased.to_read == ["Binary/b3"]

    grave = read(store, "Patient", "ann")
    assert grave.deleted
    assert grave.sequence > newest
    assert run(store.vread("Patient", "ann", 1)) is None
    assert [one.deleted for one in run(store.history(History(("Patient",), "ann"))).versions] == [True]
    assert read(store, "Observation", "hers") is None
    assert run(store.history(History(("Observation",), "hers"))).total == 0
    about = Clause(("Observation.subject",), "reference", (ReferenceValue(("Patient/ann",)),))
    assert run(store.search(Query("Observation", (about,)))).versions == ()
    assert {one.id for one in run(store.search(Query("Observation"))).versions} == {
        "his",
        "misfiled",
        "both",
        "longer",
    }
    assert [one.version for one in run(store.history(History(("Observation",), "misfiled"))).versions] == [2]
    kept = b"".join(
        one.version.content if isinstance(one, Kept) else repr(one).encode() for one in everything(store)
    )
    assert b"Planted" not in kept
    assert run(erasures(store))["ann"].versions == erased.versions


def test_what_is_about_several_stays_without_the_person(store):
    erase(store)
    both = json.loads(read(store, "Observation", "both").content)
    (performer,) = both["performer"]
    assert performer["extension"][0]["valueCode"] == "masked"
    assert set(performer) == {"extension"}
    assert "text" not in both
    group = json.loads(read(store, "Group", "g").content)
    assert [one["entity"].get("reference") for one in group["member"]] == [None, "Patient/ben"]
    assert run(store.vread("Group", "g", 1)) is None
    assert read(store, "Provenance", "of-both").patient == "ben"


def test_a_rehearsal_says_the_same_and_does_nothing(store):
    before = everything(store)
    eraser = Eraser(keys_of, "")
    said = run(eraser.rehearse(store, found_in(store, eraser)))
    assert everything(store) == before
    assert erase(store) == said


def test_what_is_written_after_the_look_goes_as_well(store):
    eraser = Eraser(keys_of, "")
    found = found_in(store, eraser)
    write(store, observation("late", ANN), provenance("of-late", "Observation/late"))
    run(eraser.erase(store, found, ERASURE, [], {}))
    assert not {"Observation/late", "Provenance/of-late"} & names(store)


def test_where_something_was_delivered_to_is_kept(store):
    receipts = [feeds.Delivered("Patient", "ann", 1, "")]

    async def delivered(name):
        await feeds.note(store, name, {"ann": feeds.Noted(1, 0)})
        await feeds.claim(store, name, "worker", now=1, until=2, most=1)
        await feeds.keep(store, name, "ann", "worker", receipts)

    run(delivered("record"))
    run(delivered("removed"))
    found = found_in(store, Eraser(keys_of, ""))
    run(Eraser(keys_of, "").erase(store, found, ERASURE, [], {"record": "https://record.example.org/fhir"}))
    assert run(erasures(store))["ann"].delivered == ("https://record.example.org/fhir", "removed")
    assert run(feeds.receivers(store, "ann")) == []


def test_nothing_comes_in_under_an_erased_id(store):
    erase(store)
    before = everything(store)
    for tree in (FILED[0], FILED[3], FILED[9]):
        with pytest.raises(Conflict, match="Patient/ann was erased"):
            write(store, tree)
    assert everything(store) == before
    write(store, {**FILED[0], "id": "ann-again"}, observation("new", {"reference": "Patient/ann-again"}))


def test_a_hold_keeps_from_erasing(store):
    before = everything(store)
    run(store.enter(Entry("hold", "ann", 0, "{}")))
    with pytest.raises(Conflict, match="There is a hold on Patient/ann"):
        erase(store)
    assert [one for one in everything(store) if not isinstance(one, Entry)] == before


def test_escapes_do_not_hide_anything(store):
    hidden = json.dumps(observation("hidden", {"reference": "Patient/ann"})).replace(
        "Patient/ann", "Patient\\/\\u0061nn"
    )

    async def work(txn):
        await txn.put("Observation", "hidden", hidden.encode(), extract(json.loads(hidden)))

    run(store.write("put", work))
    erase(store)
    assert read(store, "Observation", "hidden") is None

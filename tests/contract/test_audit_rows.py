"""The audit trail of every store: durable, searched, chained, and never changed."""

import asyncio
from datetime import timedelta

import pytest

from service.errors import InvalidInput, NotFound
from service.fhir.search_query import Clause, DateValue, ReferenceValue, Sort, TokenValue
from service.fhir.search_values import SearchKeys
from service.store.audit import Event, audited_of, hash_of
from service.store.audit_links import LINK, named_in
from service.store.contract import Query

FOREVER = 10**15
BODY = (
    '"type":{"code":"rest"},"subtype":[{"code":"%s"}],"action":"%s","outcome":"0",'
    '"agent":[{"who":{"reference":"%s"},"altId":"%s"}],"entity":[{"what":{"reference":"%s"}}]'
)


def event(subtype="read", action="R", agent="Practitioner/a", subject="ann", target="Patient/p"):
    body = BODY % (subtype, action, agent, subject, target)
    return Event("rest", subtype, action, "0", agent, subject, (target.partition("/_history")[0],), body)


def run(work):
    return asyncio.run(work)


def trail(store, **more):
    async def rows():
        return [row async for row in store.trail(FOREVER, **more)]

    return run(rows())


def events(store):
    """The rows of the trail besides those that name other chains."""
    return [row for row in trail(store) if row.subtype != LINK]


def found(store, *clauses, **more):
    return run(store.audited(Query("AuditEvent", clauses, **more)))


def token(name, code, system=None):
    return Clause((f"AuditEvent.{name}",), "token", (TokenValue(system, code),))


def about(*targets):
    return Clause(("AuditEvent.agent", "AuditEvent.entity"), "reference", (ReferenceValue(targets),))


def test_what_was_recorded_is_there_after_opening_again(open_store):
    with open_store() as store:
        run(store.audit([event()]))
    with open_store() as store:
        (row,) = events(store)
    assert row.content == (
        f'{{"resourceType":"AuditEvent","id":"{row.id}","meta":{{"versionId":"1",'
        '"lastUpdated":"2026-02-04T10:00:00.000Z"},"recorded":"2026-02-04T10:00:00.000Z",'
        f"{event().body}}}"
    )


def test_rows_read_back_are_those_that_content_tells_of(store):
    run(store.audit([event(target="Patient/p/_history/3")]))
    (row,) = events(store)
    assert audited_of(row.content, row.hash) == row._replace(targets=("Patient/p",))


def test_a_chain_goes_from_hash_to_hash(store):
    run(store.audit([event(), event("search-type")]))
    run(store.audit([event("vread")]))
    before = ""
    for chain in {row.chain for row in trail(store)}:
        before = ""
        rows = [row for row in trail(store) if row.chain == chain]
        assert [row.place for row in rows] == list(range(1, len(rows) + 1))
        for row in rows:
            assert row.hash == hash_of(before, row.content)
            before = row.hash


def test_many_at_once_are_each_recorded(store):
    async def at_once():
        await asyncio.gather(*(store.audit([event(target=f"Patient/{n}")]) for n in range(300)))

    run(at_once())
    assert len(events(store)) == 300
    assert found(store, about("Patient/7")).total == 1


def test_an_event_is_kept_with_its_work(store):
    async def work(txn):
        await txn.put("Observation", "a", b"{}", SearchKeys())
        await txn.audit([event("create", "C", target="Observation/a")])

    run(store.write("put", work))
    assert [row.subtype for row in events(store)] == ["create"]


def test_an_event_goes_with_its_work(store):
    async def work(txn):
        await txn.audit([event("delete", "D")])
        await txn.delete("Observation", "never-was")

    with pytest.raises(NotFound):
        run(store.write("delete", work))
    assert events(store) == []
    run(store.audit([event()]))
    assert len(events(store)) == 1


def test_a_chain_begins_by_naming_where_the_others_end(open_store):
    with open_store() as store:
        run(store.audit([event()]))
        ends = run(store.ends())
    with open_store() as store:
        run(store.audit([event()]))
        links = trail(store, links=True)
    assert set(ends) <= {named for one in links for named in named_in(one.content)}
    assert all(one.place == 1 for one in links)


def test_a_chain_names_the_others_again_after_ten_minutes(open_store, clock):
    with open_store() as store:
        run(store.audit([event()]))
        clock.now += timedelta(minutes=11)
        run(store.audit([event()]))
        chain = events(store)[0].chain
        assert [row.place for row in trail(store, links=True) if row.chain == chain] == [1, 3]


def test_a_clock_that_steps_back_leaves_the_order(store, clock):
    run(store.audit([event()]))
    clock.now -= timedelta(hours=1)
    run(store.audit([event("vread")]))
    assert [row.subtype for row in events(store)] == ["read", "vread"]


@pytest.mark.parametrize("falls", [True, False])
def test_rows_of_one_moment_have_one_order_over_all_pages(store, falls):
    """Accesses and events of writes lie apart on SQLite; the clock of these tests stands still."""

    async def write(number):
        async def work(txn):
            await txn.audit([event("create", "C", target=f"Observation/{number}")])

        await store.write("put", work)

    for number in range(5):
        run(store.audit([event(target=f"Patient/{number}")]))
        run(write(number))
    assert len({row.recorded for row in trail(store)}) == 1
    asked = {"sort": (Sort(("AuditEvent.date",), "date", descending=falls),), "count": 3, "total": "none"}
    page = found(store, **asked)
    seen = [one.id for one in page.versions]
    while page.next_after:
        page = found(store, **asked, after=page.next_after)
        seen += [one.id for one in page.versions]
    in_order = [row.id for row in trail(store)]
    assert seen == (in_order[::-1] if falls else in_order)


def test_they_are_found_by_what_they_tell(store, clock):
    run(store.audit([event()]))
    clock.now += timedelta(minutes=1)
    run(store.audit([event("create", "C", "Practitioner/b", "bob", "Observation/o/_history/1")]))
    later = int(clock.now.timestamp() * 1000)
    run(store.write("behind the row that names the chain", lambda txn: txn.audit([])))
    for clause, count in (
        (token("action", "C"), 1),
        (token("subtype", "read", "http://hl7.org/fhir/restful-interaction"), 1),
        (token("subtype", "read", "http://dicom.nema.org/resources/ontology/DCM"), 0),
        (token("type", None, "http://dicom.nema.org/resources/ontology/DCM"), 0),
        (token("type", None, "http://terminology.hl7.org/CodeSystem/audit-event-type"), 2),
        (token("altid", "bob"), 1),
        (token("outcome", "8"), 0),
        (about("Patient/p"), 1),
        (about("Practitioner/b"), 1),
        (Clause(("AuditEvent.agent",), "reference", (ReferenceValue(("Practitioner/b",)),)), 1),
        (Clause(("AuditEvent.entity",), "reference", (ReferenceValue(("Observation/o",)),)), 1),
        (Clause(("AuditEvent.date",), "date", (DateValue("ge", later, later + 1),)), 1),
        (Clause(("AuditEvent.action",), "token", (TokenValue(None, "C"),), "not"), 1),
    ):
        page = found(store, clause)
        links = [one for one in page.versions if b'"code":"link"' in one.content]
        assert page.total - len(links) == count, clause
    assert found(store, token("subtype", "link")).total > 0


def test_one_is_found_by_its_id(store):
    run(store.audit([event()]))
    (row,) = events(store)
    (version,) = found(store, Clause(("Resource._id",), "id", (row.id,))).versions
    assert (version.type, version.id, version.version, version.etag) == ("AuditEvent", row.id, 1, 'W/"1"')
    assert found(store, Clause(("Resource._id",), "id", ("nobody",))).versions == ()


def test_pages_go_forth_and_back(store, clock):
    for number in range(5):
        run(store.audit([event(target=f"Patient/{number}")]))
        clock.now += timedelta(seconds=1)
    only = token("subtype", "read")
    first = found(store, only, count=2)
    second = found(store, only, count=2, after=first.next_after)
    last = found(store, only, count=2, after=second.next_after)
    assert [len(page.versions) for page in (first, second, last)] == [2, 2, 1]
    assert last.next_after is None
    assert b"Patient/4" in first.versions[0].content
    assert found(store, only, count=2, before=second.previous_before).versions == first.versions
    rising = found(store, only, sort=(Sort(("AuditEvent.date",), "date"),))
    assert rising.versions == (*first.versions, *second.versions, *last.versions)[::-1]


@pytest.mark.parametrize(
    "clause", [token("site", "x"), Clause(("AuditEvent.action",), "token", (True,), "missing")]
)
def test_what_they_are_not_found_by_is_said(store, clause):
    with pytest.raises(InvalidInput, match="AuditEvents are found by"):
        found(store, clause)

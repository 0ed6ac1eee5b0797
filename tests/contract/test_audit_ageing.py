"""The oldest rows of the audit trail are taken away, and what is left is verified from there on."""

import asyncio
from datetime import timedelta

import pytest

from service.fhir.search_query import Clause, ReferenceValue
from service.fhir.search_values import SearchKeys
from service.store import moving
from service.store.audit import Event
from service.store.audit_verify import verify
from service.store.contract import Query
from service.store.sqlite import SqliteStore

BODY = (
    '"type":{"code":"rest"},"subtype":[{"code":"read"}],"action":"R","outcome":"0",'
    '"agent":[{"altId":"ann"}],"entity":[{"what":{"reference":"Patient/%s"}}]'
)


def run(work):
    return asyncio.run(work)


def event(patient):
    return Event("rest", "read", "R", "0", "", "ann", (f"Patient/{patient}",), BODY % patient)


def record(store, patient):
    """One event of an access, and one of a write."""
    run(store.audit([event(patient)]))
    run(store.write("audit", lambda txn: txn.audit([event(patient)])))


def about(store, patient):
    target = ReferenceValue((f"Patient/{patient}",))
    clause = Clause(("AuditEvent.entity",), "reference", (target,))
    return run(store.audited(Query("AuditEvent", (clause,)))).total


def taken_away(store, before):
    """How many rows are taken away until there are none left of that time."""
    count = 0
    while some := run(store.take_away(before)):
        count += some
    return count


@pytest.fixture
def aged(store, clock):
    """Rows of today and of a year ago, and a time between them."""
    record(store, "old")
    record(store, "old")
    clock.now += timedelta(days=365)
    between = int(clock.now.timestamp() * 1000)
    record(store, "new")
    return store, between


def test_only_what_is_older_goes(aged):
    store, between = aged
    assert (about(store, "old"), about(store, "new")) == (4, 2)
    assert taken_away(store, between) >= 4
    assert (about(store, "old"), about(store, "new")) == (0, 2)
    assert taken_away(store, between) == 0


def test_what_is_left_is_whole_and_goes_on(aged):
    store, between = aged
    ends = run(verify(store)).ends
    taken_away(store, between)
    found = run(verify(store, ends))
    assert found.faults == []
    assert 0 < found.since < between
    record(store, "new")
    assert run(verify(store, ends)).faults == []
    taken_away(store, 10**15)  # of a chain nothing may be left but where it goes on
    record(store, "new")
    assert run(verify(store, ends)).faults == []
    assert about(store, "new") == 2


def test_it_is_restored_without_its_beginning(aged, clock, tmp_path):
    store, between = aged
    taken_away(store, between)
    file = tmp_path / "backup.gz"
    written = run(moving.backup(store, file, lambda: None))
    other = SqliteStore(tmp_path / "other" / "store.sqlite", clock=clock)
    restored = run(moving.restore(file, other, lambda _: SearchKeys(), lambda: None))
    found = run(verify(other))
    run(other.close())
    assert restored.said() == written.said()
    assert found.faults == []
    assert found.since < between

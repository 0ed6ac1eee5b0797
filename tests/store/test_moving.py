"""Backup, restore, copy and upgrade: everything arrives as it was, or nothing does."""

import asyncio
import gzip
from contextlib import aclosing
from datetime import UTC, datetime

import pytest
from databases import AnyLoop, database

from service.errors import Conflict, InvalidInput, StoreUnavailable
from service.fhir.search_query import Clause, ReferenceValue, TokenValue
from service.fhir.search_values import SearchKeys, TokenKey
from service.store import migrations, moving, postgres_archive, sqlite_archive
from service.store.archive import Kept
from service.store.audit import Event
from service.store.audit_verify import verify
from service.store.backup_file import check_backup
from service.store.contract import History, Query, VisitKey
from service.store.entries import Entry
from service.store.sqlite import SqliteStore

NOW = datetime(2026, 2, 4, 10, 0, tzinfo=UTC)
CODE = Clause(("Observation.code",), "token", (TokenValue("s", "c"),))
EVENT = Event(
    "rest",
    "read",
    "R",
    "0",
    "",
    "ann",
    ("Patient/p",),
    '"type":{"code":"rest"},"subtype":[{"code":"read"}],"action":"R","outcome":"0",'
    '"agent":[{"altId":"ann"}],"entity":[{"what":{"reference":"Patient/p/_history/2"}}]',
)
CLIENT, HOLD = Entry("client", "lab", 0, "{}"), Entry("hold", "p", 0, "{}")
EXACT = (
    '{ "resourceType":"Observation", "x":72.50, "y":1.0E2, "e":"\\u00e9 \U0001f600 ä", "meta":{"security":'
    '[{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"R"}]} }'
).encode()


def clock():
    return NOW


def run(work):
    return asyncio.run(work)


def nothing():
    """No progress is shown."""


def keys_of(version):
    return SearchKeys(f"p-{version.id}", (TokenKey("Observation.code", "s", "c"),))


@pytest.fixture
def filled(opening):
    """A store with updates, a deletion, one written again after it, and visit keys."""
    store = opening(clock)

    async def work(txn):
        for round_ in range(3):
            for number in range(40):
                content = EXACT if round_ else b'{"resourceType":"Observation"}'
                version = await txn.put("Observation", f"o{number}", content, SearchKeys())
                await txn.put("Observation", version.id, content, keys_of(version), method="POST")
        for number in range(10):
            await txn.delete("Observation", f"o{number}")
        await txn.put(
            "Observation", "o3", EXACT, SearchKeys("p-o3", (TokenKey("Observation.code", "s", "c"),))
        )
        for number in range(5):
            await txn.claim_visit(VisitKey("s", f"v{number}", "p", f"t{number}"))

    run(store.write("fill", work))
    run(store.audit([EVENT] * 3))
    for entry in (CLIENT, HOLD, Entry("key", "secret")):
        run(store.enter(entry))
    yield store
    run(store.close())


@pytest.fixture(params=["sqlite", "postgres"])
def empty(request, tmp_path, postgres_server):
    """A store with nothing in it, besides the one that is filled."""
    if request.param == "sqlite":
        store = SqliteStore(tmp_path / "other" / "store.sqlite", clock=clock)
        yield store
        run(store.close())
        return
    with database(postgres_server) as url:
        store = AnyLoop(url, clock)
        yield store
        run(store.close())


def everything(store):
    async def collect():
        async with aclosing(store.rows()) as rows:
            return [row async for row in rows]

    return run(collect())


def found(store):
    page = run(store.search(Query("Observation", (CODE,), count=100)))
    return page.total, [version.id for version in page.versions]


def test_a_backup_is_restored_as_it_was(filled, empty, tmp_path):
    file = tmp_path / "backup.gz"
    written = run(moving.backup(filled, file, nothing))
    assert (written.versions, written.visits) == (251, 5)
    assert (written.entries, written.audited) == (2, len(everything(filled)) - 251 - 5 - 2)
    assert written.audited > 3
    assert file.stat().st_mode & 0o777 == 0o600
    assert check_backup(file).said() == written.said()
    restored = run(moving.restore(file, empty, keys_of, nothing))
    assert restored.said() == written.said()
    same_in_everything(filled, empty)


def test_a_copy_is_as_the_original(filled, postgres_server):
    with database(postgres_server) as url:
        target = AnyLoop(url, clock)
        try:
            run(moving.copy(filled, target, keys_of, nothing))
            same_in_everything(filled, target)
        finally:
            run(target.close())


def same_in_everything(one, other):
    assert everything(one) == everything(other)
    assert [row for row in everything(other) if isinstance(row, Entry)] == [CLIENT, HOLD]
    assert run(one.size()) == run(other.size()) == 251
    assert found(one) == found(other) == (31, found(one)[1])
    for query in (History(("Observation",), "o3"), History(count=400)):
        assert run(one.history(query)) == run(other.history(query))
    assert {version.labelled for version in run(other.history(query)).versions} == {True, False}
    about_p = Clause(("AuditEvent.entity",), "reference", (ReferenceValue(("Patient/p",)),))
    query = Query("AuditEvent", (about_p,))
    assert run(one.audited(query)) == run(other.audited(query))
    assert run(one.audited(query)).total == 3
    assert run(verify(other)).faults == []

    async def go_on(txn):
        with pytest.raises(Conflict):
            await txn.claim_visit(VisitKey("s", "another", "p", "t1"))
        await txn.put("Observation", "new", b"{}", SearchKeys())
        return await txn.put("Observation", "o3", EXACT, SearchKeys())

    before = [version.sequence for version in run(one.history(History(count=400))).versions]
    one, other = (run(store.write("go on", go_on)) for store in (one, other))
    assert one.sequence > max(before) < other.sequence
    assert one.version == other.version
    assert one.last_updated == other.last_updated


def test_a_backup_shows_one_moment_while_others_write(filled, tmp_path):
    before = everything(filled)
    ticks = []

    def meanwhile():
        ticks.append(1)
        if len(ticks) == 1:
            asyncio.run_coroutine_threadsafe(write(), loop).result(30)

    async def write():
        await filled.write("late", lambda txn: txn.put("Observation", "late", b"{}", SearchKeys()))

    async def back_up():
        nonlocal loop
        loop = asyncio.get_running_loop()
        return await asyncio.to_thread(asyncio.run, moving.backup(filled, tmp_path / "file", meanwhile))

    loop = None
    digest = run(back_up())
    assert digest.versions == 251 == sum(1 for row in before if isinstance(row, Kept))
    assert run(filled.read("Observation", "late")) is not None


def test_nothing_is_overwritten(filled, tmp_path):
    file = tmp_path / "backup.gz"
    run(moving.backup(filled, file, nothing))
    with pytest.raises(Conflict, match="never replaces"):
        run(moving.backup(filled, file, nothing))
    with pytest.raises(Conflict, match="not empty"):
        run(moving.restore(file, filled, keys_of, nothing))
    assert run(filled.size()) == 251


def cut(data):
    return data[: len(data) // 2]


def flipped(data):
    return gzip.compress(gzip.decompress(data).replace(b"72.50", b"72.05", 1))


def shortened(data):
    lines = gzip.decompress(data).splitlines(keepends=True)
    return gzip.compress(b"".join(lines[:40] + lines[41:]))


def without_end(data):
    return gzip.compress(b"".join(gzip.decompress(data).splitlines(keepends=True)[:-1]))


def garbled(data):
    lines = gzip.decompress(data).splitlines(keepends=True)
    return gzip.compress(b"".join([*lines[:5], b"[1, 2]\n", *lines[5:]]))


@pytest.mark.parametrize(
    "harm", [cut, flipped, shortened, without_end, garbled, gzip.decompress, bytes.upper]
)
def test_a_damaged_backup_is_refused_and_nothing_written(opening, tmp_path, harm):
    source = SqliteStore(tmp_path / "source.sqlite", clock=clock)
    run(source.write("put", lambda txn: txn.put("Observation", "a", EXACT, SearchKeys())))
    for number in range(50):
        run(source.write("put", lambda txn, n=number: txn.put("Observation", f"o{n}", EXACT, SearchKeys())))
    file = tmp_path / "backup.gz"
    run(moving.backup(source, file, nothing))
    run(source.close())
    file.write_bytes(harm(file.read_bytes()))
    store = opening(clock)
    try:
        with pytest.raises(InvalidInput, match=r"backup\.gz"):
            run(moving.restore(file, store, keys_of, nothing))
        assert everything(store) == []
    finally:
        run(store.close())


def test_what_fails_half_way_leaves_nothing(filled, empty, tmp_path):
    file = tmp_path / "backup.gz"
    run(moving.backup(filled, file, nothing))

    def failing(version):
        if version.id == "o30":
            raise InvalidInput("no")
        return keys_of(version)

    with pytest.raises(InvalidInput):
        run(moving.restore(file, empty, failing, nothing))
    assert everything(empty) == []
    run(moving.restore(file, empty, keys_of, nothing))
    assert everything(empty) == everything(filled)


@pytest.fixture
def newer(monkeypatch, tmp_path):
    """The program as it will be one schema later, with the upgrade that leads there."""

    def become():
        version = migrations.SCHEMA_VERSION + 1
        for module in (migrations, sqlite_archive, postgres_archive):
            monkeypatch.setattr(module, "SCHEMA_VERSION", version)
        monkeypatch.setattr(migrations, "_UPGRADES", tmp_path)
        for engine in ("sqlite", "postgres"):
            script = "CREATE TABLE added (x INTEGER);\nINSERT INTO added VALUES (7)"
            (tmp_path / f"{engine}_{version}.sql").write_text(script)

    return become


def test_an_older_database_is_refused_then_upgraded_and_filed_anew(opening_older, newer):
    store = opening_older(clock)
    run(store.write("put", lambda txn: txn.put("Observation", "a", EXACT, SearchKeys())))
    run(store.write("delete", lambda txn: txn.put("Observation", "b", EXACT, SearchKeys())))
    run(store.write("delete", lambda txn: txn.delete("Observation", "b")))
    before = everything(store)
    run(store.close())

    newer()
    with pytest.raises(StoreUnavailable, match="swallow-interop migrate"):
        opening_older(clock)
    store = opening_older(clock, older=True)
    with pytest.raises(ZeroDivisionError):
        run(moving.migrate(store, lambda _: 1 / 0, nothing))
    run(store.close())
    with pytest.raises(StoreUnavailable, match="swallow-interop migrate"):  # done as a whole or not at all
        opening_older(clock)
    store = opening_older(clock, older=True)
    assert found(store) == (0, [])
    assert run(moving.migrate(store, keys_of, nothing)) == 1
    run(store.close())

    store = opening_older(clock)
    assert found(store) == (1, ["a"])
    assert everything(store) == before
    assert run(moving.migrate(store, keys_of, nothing)) == 0
    run(store.close())


@pytest.fixture(params=["sqlite", "postgres"])
def opening_older(request, tmp_path, postgres_server):
    """Open a database of its own, whose schema will change."""
    if request.param == "sqlite":
        yield lambda clock, **more: SqliteStore(tmp_path / "store.sqlite", clock=clock, **more)
        return
    with database(postgres_server) as url:
        yield lambda clock, **more: AnyLoop(url, clock, **more)

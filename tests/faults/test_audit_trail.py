"""What is stored is never without its AuditEvent; what can't be recorded is not answered."""

import asyncio
import sqlite3
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime

import msgspec
import pytest
from test_full_disk import limited

from service.store.audit_verify import verify
from service.store.sqlite import SqliteStore

__all__ = ["limited"]


def assert_each_version_has_its_event(folder):
    """Every version that was written is named by one event, and none names another.

    A transaction that was sent again and changed nothing names what it asked for, without a version.
    """
    with closing(sqlite3.connect(folder / "swallow.sqlite")) as connection:
        sql = "SELECT c.type, c.id, r.version FROM resource r JOIN current c ON c.key = r.key"
        versions = connection.execute(sql).fetchall()
        stored = Counter(f"{type_}/{id_}/_history/{version}" for type_, id_, version in versions)
        sql = "SELECT content FROM audit WHERE subtype = 'transaction' AND outcome = '0'"
        events = [msgspec.json.decode(content) for (content,) in connection.execute(sql)]
    assert len(stored) > 60
    named = Counter(
        entity["what"]["reference"]
        for event in events
        for entity in event["entity"]
        if "reference" in entity.get("what", {})
    )
    versions = Counter({one: count for one, count in named.items() if "/_history/" in one})
    assert versions == stored
    assert named.keys() - versions.keys() <= {one.partition("/_history/")[0] for one in stored}


def assert_whole(folder):
    store = SqliteStore(folder / "swallow.sqlite", clock=lambda: datetime.now(UTC))
    verdict = asyncio.run(verify(store))
    asyncio.run(store.close())
    assert verdict.faults == []
    assert verdict.rows > 60


def assert_each_access_has_its_event(folder, requests):
    """Every read that was answered is told by an event that names its request."""
    with closing(sqlite3.connect(folder / "swallow.accesses.sqlite")) as connection:
        contents = connection.execute("SELECT content FROM audit WHERE subtype = 'read'").fetchall()
    told = {
        entity["what"]["identifier"]["value"]
        for (content,) in contents
        for entity in msgspec.json.decode(content)["entity"]
        if "identifier" in entity.get("what", {})
    }
    assert set(requests) <= told


def test_a_killed_service_leaves_no_write_or_answer_without_its_event(serve, writers, tmp_path):
    answered = []
    for _ in range(3):
        with serve(tmp_path) as (server, http), writers.at_work(http):
            writers.wait_for(40)
            answers = [http.get("/Observation/shared") for _ in range(20)]
            server.kill()
        answered += [one.headers["X-Request-Id"] for one in answers if one.status_code == 200]
    assert len(answered) == 60
    assert_each_access_has_its_event(tmp_path, answered)
    assert_each_version_has_its_event(tmp_path)
    assert_whole(tmp_path)


def test_two_services_write_one_trail(serve, writers, tmp_path):
    with serve(tmp_path) as (_, one), serve(tmp_path) as (_, other), writers.at_work(one, other):
        writers.wait_for(100)
    assert_each_version_has_its_event(tmp_path)
    assert_whole(tmp_path)


@pytest.mark.conformance("L3")
@pytest.mark.parametrize("policy", ["refuse", "alarm"])
def test_a_read_that_cannot_be_recorded(serve, writers, limited, monkeypatch, policy):
    monkeypatch.setenv("SWALLOW_AUDIT_FAILURE", policy)
    folder, disk = limited
    with serve(folder) as (server, http):
        with writers.at_work(http):
            writers.wait_for(20)
            disk.fill(server.process.pid)
            writers.wait_for_refusal()
        answers = [http.get(path) for path in ("/Observation/shared", "/Observation?_count=1", "/Nonsense/1")]
        disk.free(server.process.pid)
        if policy == "refuse":
            assert [one.status_code for one in answers] == [503] * 3
            assert all("nothing is answered unrecorded" in one.text for one in answers)
            assert all("shared" not in one.text for one in answers)
            assert int(answers[0].headers["Retry-After"]) >= 1
        else:
            assert [one.status_code for one in answers] == [200, 200, 404]
        assert "AUDIT FAILURE" in server.printed
        assert http.get("/Observation/shared").status_code == 200
        writers.assert_kept(http)
    assert_each_version_has_its_event(folder)

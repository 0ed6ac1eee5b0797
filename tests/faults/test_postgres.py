"""PostgreSQL killed or cut off under load: refused clearly, nothing acknowledged lost, no hand needed."""

import tempfile
import time
from pathlib import Path

import httpx
import pytest
from databases import Server, ask
from processes import client, serving, token

CUT = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
    "WHERE backend_type = 'client backend' AND pid <> pg_backend_pid()"
)


@pytest.fixture
def engine(monkeypatch):
    """A PostgreSQL of our own, and the services' setting to use it."""
    with tempfile.TemporaryDirectory(prefix="swallow-postgres-", ignore_cleanup_errors=True) as folder:
        engine = Server(Path(folder))
        engine.start()
        monkeypatch.setenv("SWALLOW_DATABASE_URL", f"{engine.url}/postgres")
        yield engine
        engine.stop()


def test_killed_and_started_again(serve, writers, engine, tmp_path):
    with serve(tmp_path) as (server, http):
        with writers.at_work(http):
            writers.wait_for(50)
            engine.kill()
            writers.wait_for_refusal()
            assert http.get("/Observation/shared").status_code == 503
            assert http.get("/Observation?_count=1").status_code == 503
            engine.start()
            writers.wait_for(50)
        writers.assert_clear_refusals()
        assert not writers.unanswered
        assert server.process.poll() is None
        writers.assert_kept(http)


def test_not_there_when_the_service_starts(engine, tmp_path):
    """It starts, says it is not ready, and serves as soon as the database is there."""
    signed = token(tmp_path)
    engine.stop()
    arguments = ("serve", "--port", "0", "--development-issuer", "--data-dir", tmp_path)
    with serving(*arguments, sign="/health/live") as server, client(server, signed) as http:
        for address in (f"{server.url}/health/ready", "/Patient/p", "/Patient?name=a"):
            refused = http.get(address)
            assert refused.status_code == 503
            assert refused.headers["retry-after"]
            (issue,) = refused.json()["issue"]
            assert issue["code"] == "transient"
        assert "does not answer" in server.printed
        assert engine.url.partition("@")[2] not in server.printed
        engine.start()
        end = time.monotonic() + 30
        while httpx.get(f"{server.url}/health/ready").status_code != 200:
            assert time.monotonic() < end
            time.sleep(0.2)
        assert http.put("/Patient/p", json={"resourceType": "Patient", "id": "p"}).status_code == 201
        assert http.get("/Patient/p").status_code == 200


def test_connections_are_cut(serve, writers, engine, tmp_path):
    """In the middle of whatever they do, again and again."""
    with serve(tmp_path) as (_, http):
        with writers.at_work(http):
            for _ in range(10):
                writers.wait_for(5)
                ask(engine.url, CUT)
            writers.wait_for(20)
        writers.assert_clear_refusals()
        writers.assert_kept(http)


@pytest.mark.usefixtures("engine")
def test_one_of_two_services_is_killed(serve, writers, tmp_path):
    with serve(tmp_path) as (_, one):
        with serve(tmp_path) as (killed, other), writers.at_work(one, other):
            writers.wait_for(60)
            killed.kill()
            writers.wait_for(60)
        assert not writers.refused
        assert writers.unanswered
        assert {name[:2] for name in writers.acknowledged} == {"w0", "w1"}
        writers.assert_kept(one)

"""A service told to stop (SIGTERM) finishes or gives up what is in work, and its process ends with 0."""

import json
import signal
import socket
import time
from contextlib import contextmanager
from urllib.parse import urlsplit

import httpx
import pytest
from processes import token
from writers import observation


@pytest.fixture(params=["sqlite", "postgres"])
def engine(request, monkeypatch):
    """The setting by which the service finds its database."""
    if request.param == "postgres":
        monkeypatch.setenv("SWALLOW_DATABASE_URL", request.getfixturevalue("database_url"))


def _stop(server):
    server.process.send_signal(signal.SIGTERM)


@pytest.mark.usefixtures("engine")
def test_under_load(serve, writers, tmp_path):
    with serve(tmp_path) as (server, http):
        with writers.at_work(http):
            writers.wait_for(30)
            _stop(server)
            assert server.process.wait(60) == 0
        assert "Traceback" not in server.printed
    with serve(tmp_path) as (_, http):
        writers.assert_clear_refusals()
        writers.assert_kept(http)


def test_what_is_in_work_is_finished(serve, tmp_path):
    with serve(tmp_path) as (server, _), _half_sent(server, tmp_path) as (connection, rest):
        _stop(server)
        with pytest.raises(httpx.TransportError):
            _until_refused(server)
        connection.sendall(rest)
        assert connection.recv(65_536).startswith(b"HTTP/1.1 201 ")
        assert server.process.wait(30) == 0


def test_what_is_not_finished_in_time_is_given_up(serve, monkeypatch, tmp_path):
    monkeypatch.setenv("SWALLOW_STOP_SECONDS", "1")
    with serve(tmp_path) as (server, _), _half_sent(server, tmp_path) as (connection, _):
        _stop(server)
        answer = connection.recv(65_536)
        assert answer.startswith(b"HTTP/1.1 503 ")
        assert b"as the service stops" in answer
        assert server.process.wait(30) == 0
    with serve(tmp_path) as (_, http):
        assert http.get("/Observation/half").status_code == 404


def test_says_it_is_not_ready_while_it_still_serves(serve, monkeypatch, tmp_path):
    monkeypatch.setenv("SWALLOW_DRAIN_SECONDS", "5")
    with serve(tmp_path) as (server, http):
        _stop(server)
        end = time.monotonic() + 4
        while (ready := httpx.get(f"{server.url}/health/ready")).status_code == 200:
            assert time.monotonic() < end
            time.sleep(0.05)
        assert ready.status_code == 503
        assert "about to stop" in ready.json()["issue"][0]["details"]["text"]
        assert http.put("/Observation/late", json=observation("late", "kept")).status_code == 201
        assert httpx.get(f"{server.url}/health/live").status_code == 200
        assert server.process.wait(30) == 0


def _until_refused(server):
    for _ in range(100):
        httpx.get(f"{server.url}/health/live")
        time.sleep(0.1)


@contextmanager
def _half_sent(server, folder):
    """A connection on which a write has begun and its body not ended, and what is missing of it."""
    at = urlsplit(server.url)
    body = json.dumps(observation("half", "sent in two halves")).encode()
    head = (
        "PUT /fhir/Observation/half HTTP/1.1\r\nHost: service\r\nContent-Type: application/json\r\n"
        f"Authorization: Bearer {token(folder).read_text().strip()}\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    with socket.create_connection((at.hostname, at.port), timeout=30) as connection:
        connection.sendall(head.encode() + body[:20])
        time.sleep(0.5)  # the head has come
        yield connection, body[20:]

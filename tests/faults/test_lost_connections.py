"""Callers that vanish in the middle of a transaction: it is stored whole, or not at all."""

import json
import re
import socket
import sqlite3
import time
from contextlib import closing

import httpx
from processes import everything, token
from writers import PARTS, SHARED, transaction

FOLK = 40
CALLERS = 10


def test_callers_vanish(serve, writers, tmp_path):
    """Half of them before their body has ended: nothing of it is stored. Half behind their whole body: who is
    gone before it is read has asked for nothing.
    """
    with serve(tmp_path) as (server, http):
        with writers.at_work(http, lanes=1):
            for number in range(FOLK):
                body = _body(f"gone-{number}")
                _send(http, len(body), body if number % 2 else body[: len(body) // 2]).close()
            writers.wait_for(5)
        assert not writers.refused
        assert not _settled(http) & {f"gone-{number}" for number in range(0, FOLK, 2)}
        writers.assert_kept(http)
        assert server.process.poll() is None
        assert '"error"' not in server.printed


def test_callers_vanish_while_the_service_is_at_work_for_them(serve, writers, tmp_path):
    """All that they asked for is stored: their writes wait for the file, which another program holds."""
    names = {f"gone-{number}" for number in range(CALLERS)}
    with serve(tmp_path) as (server, http):
        operator = {"Authorization": f"Bearer {token(tmp_path, 'operator').read_text().strip()}"}
        with closing(sqlite3.connect(tmp_path / "swallow.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            callers = [_send(http, len(body), body) for body in map(_body, names)]
            _wait_until(lambda: _in_work(server, operator) == CALLERS)
            for caller in callers:
                caller.close()
            assert _in_work(server, operator) == CALLERS  # whoever answers this has seen them go
        _wait_until(lambda: _settled(http) == names)
        writers.assert_kept(http)
        assert '"error"' not in server.printed


def _body(name):
    return json.dumps(transaction(name)).encode()


def _send(http, length, sent):
    """A connection on which a request, or its beginning, was sent."""
    head = (
        f"POST /fhir HTTP/1.1\r\nHost: service\r\nAuthorization: {http.headers['Authorization']}\r\n"
        f"Content-Type: application/fhir+json\r\nContent-Length: {length}\r\n\r\n"
    )
    connection = socket.create_connection((http.base_url.host, http.base_url.port))
    connection.sendall(head.encode() + sent)
    return connection


def _wait_until(done, seconds=20):
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end
        time.sleep(0.02)


def _in_work(server, operator):
    """How many writes wait or run."""
    told = httpx.get(f"{server.url}/metrics", headers=operator).raise_for_status().text
    return float(re.search(r"^swallow_store_writes_in_work (\S+)$", told, re.MULTILINE)[1])


def _settled(http):
    """Names of the whole transactions, once no more arrive."""
    seen, end = -1, time.monotonic() + 20
    while time.monotonic() < end:
        found = everything(http, "Observation")
        if len(found) == seen:
            break
        seen = len(found)
        time.sleep(0.3)
    names = [one["id"].rpartition("-")[0] for one in found if one["id"] != SHARED]
    return {name for name in names if names.count(name) == PARTS}

"""Connections that say nothing, and too many of them, at a real process."""

import json
import os
import socket
from collections.abc import Iterator

import httpx
import pytest
from processes import Server, serving


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    os.environ |= {"SWALLOW_RECEIVE_SECONDS": "1", "SWALLOW_MAX_CONNECTIONS": "5"}
    try:
        with serving("serve", "--port", "0", "--data-dir", tmp_path_factory.mktemp("slow")) as server:
            yield server
    finally:
        del os.environ["SWALLOW_RECEIVE_SECONDS"], os.environ["SWALLOW_MAX_CONNECTIONS"]


def connected(server: Server) -> socket.socket:
    url = httpx.URL(server.url)
    return socket.create_connection((url.host, url.port), timeout=30)


def until_closed(connection: socket.socket) -> tuple[bytes, dict]:
    received = b""
    while piece := connection.recv(65_536):
        received += piece
    head, _, body = received.partition(b"\r\n\r\n")
    return head, json.loads(body)


@pytest.mark.parametrize("sent", [b"", b"GET /health/live HTTP/1.1\r\nHost: x\r\nX-Slow: "])
def test_a_head_that_does_not_come_is_not_waited_for(server: Server, sent: bytes) -> None:
    with connected(server) as connection:
        connection.sendall(sent)
        head, outcome = until_closed(connection)
    assert head.startswith(b"HTTP/1.1 408 Request Timeout\r\n")
    assert outcome["issue"][0]["code"] == "timeout"


def test_a_second_head_is_not_waited_for_either(server: Server) -> None:
    whole = b"GET /health/live HTTP/1.1\r\nHost: x\r\n\r\n"
    with connected(server) as connection:
        connection.sendall(whole)
        assert connection.recv(65_536).startswith(b"HTTP/1.1 200 OK")
        connection.sendall(whole[:20])
        assert until_closed(connection)[0].startswith(b"HTTP/1.1 408 Request Timeout\r\n")


def test_more_connections_than_are_kept(server: Server) -> None:
    kept = [connected(server) for _ in range(5)]
    with connected(server) as connection:
        head, outcome = until_closed(connection)
    assert head.startswith(b"HTTP/1.1 503 Service Unavailable\r\n")
    assert b"\r\nretry-after: 1\r\n" in head.lower()
    assert outcome["issue"][0]["code"] == "throttled"
    for connection in kept:
        connection.close()
    assert httpx.get(f"{server.url}/health/live").status_code == 200

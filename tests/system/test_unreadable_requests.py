"""What is no HTTP, sent to a real process: refused in FHIR's shape, and nothing is kept of it for long."""

import json
import socket
import time

import httpx
import pytest
from processes import serving

HEAD = b"GET /health/live HTTP/1.1\r\nHost: service\r\n"
UNREADABLE = {
    "no HTTP at all": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
    "another version": b"GET / HTTP/9.9\r\n\r\n",
    "a header without a name": HEAD + b": x\r\n\r\n",
    "a header without a colon": HEAD + b"x\r\n\r\n",
    "a space before the colon": HEAD + b"Accept : x\r\n\r\n",
    "an unknown method": b"FETCH / HTTP/1.1\r\nHost: service\r\n\r\n",
    "an address that is none": b"GET http:// HTTP/1.1\r\nHost: service\r\n\r\n",
    "letters beyond ASCII in the address": b"GET /\xc3\xa9 HTTP/1.1\r\nHost: service\r\n\r\n",
    "two lengths": HEAD + b"Content-Length: 1\r\nContent-Length: 2\r\n\r\n",
    "a length and chunks": HEAD + b"Content-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n",
    "a length that is no number": HEAD + b"Content-Length: x\r\n\r\n",
}


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    with serving("serve", "--port", "0", "--data-dir", tmp_path_factory.mktemp("unreadable")) as server:
        yield server
        assert httpx.get(f"{server.url}/health/ready").status_code == 200


def _answered(server, *pieces):
    """The whole answer to what is sent in pieces, until the service closes the connection."""
    url = httpx.URL(server.url)
    with socket.create_connection((url.host, url.port), timeout=20) as connection:
        for piece in pieces:
            try:
                connection.sendall(piece)
            except ConnectionError:
                break
            time.sleep(0.001)
        received = b""
        try:
            while piece := connection.recv(65536):
                received += piece
        except ConnectionResetError:
            pass
    return received


def _refused(answer):
    head, _, body = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 400 Bad Request\r\n"), answer[:200]
    assert b"\r\ncontent-type: application/fhir+json\r\n" in head.lower()
    assert b"\r\ncontent-length: %d\r\n" % len(body) in head.lower()
    (issue,) = json.loads(body)["issue"]
    assert issue["code"] == "invalid"


@pytest.mark.parametrize("sent", UNREADABLE.values(), ids=UNREADABLE)
def test_what_is_no_http_is_refused_as_an_outcome(server, sent):
    _refused(_answered(server, sent))


def test_an_endless_head_is_refused(server):
    endless = [b"a" * 1_000] * 200
    _refused(_answered(server, HEAD, b"X-Long: ", *endless))
    _refused(_answered(server, b"GET /", *endless))
    _refused(_answered(server, HEAD, *(b"X-%d: y\r\n" % number for number in range(9_000))))


def test_after_a_body_the_next_head_is_measured_as_well(server):
    whole = HEAD + b"Content-Length: 100000\r\n\r\n" + b"b" * 100_000
    answer = _answered(server, whole, HEAD, b"X-Long: ", *([b"a" * 1_000] * 200))
    first, _, rest = answer.partition(b"HTTP/1.1 400")
    assert first.startswith(b"HTTP/1.1 200 OK")
    _refused(b"HTTP/1.1 400" + rest)

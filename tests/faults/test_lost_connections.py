"""Callers that vanish in the middle of a transaction: it is stored whole, or not at all."""

import json
import socket
import time

from processes import everything
from writers import PARTS, SHARED, transaction

FOLK = 40


def test_callers_vanish(serve, writers, tmp_path):
    """Half of them before their body has ended: nothing of it is stored. Half behind their whole body: who is
    gone before it is read has asked for nothing, of the others all of it is stored.
    """
    with serve(tmp_path) as (server, http):
        with writers.at_work(http, lanes=1):
            for number in range(FOLK):
                body = json.dumps(transaction(f"gone-{number}")).encode()
                sent = body if number % 2 else body[: len(body) // 2]
                _send_and_vanish(http, len(body), sent)
            writers.wait_for(5)
        assert not writers.refused
        whole = _settled(http)
        assert not whole & {f"gone-{number}" for number in range(0, FOLK, 2)}
        assert whole & {f"gone-{number}" for number in range(1, FOLK, 2)}
        writers.assert_kept(http)
        assert server.process.poll() is None
        assert '"error"' not in server.printed


def _send_and_vanish(http, length, sent):
    head = (
        f"POST /fhir HTTP/1.1\r\nHost: service\r\nAuthorization: {http.headers['Authorization']}\r\n"
        f"Content-Type: application/fhir+json\r\nContent-Length: {length}\r\n\r\n"
    )
    with socket.create_connection((http.base_url.host, http.base_url.port)) as connection:
        connection.sendall(head.encode() + sent)


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

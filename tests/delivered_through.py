"""Visits are loaded into one service while it delivers to another one, by an unreliable way."""

import json
import sqlite3
import time
from contextlib import closing, contextmanager
from typing import Self

from processes import client, everything, run, serving, token
from same_instances import assert_same, content_types
from unreliable import unreliable

_LEFT = """
SELECT (SELECT max(sequence) FROM resource)
    - coalesce((SELECT sequence FROM feed WHERE name = 'delivery/record'), 0),
    (SELECT count(*) FROM delivery WHERE noted > delivered)
"""
"""Changes that were not looked through for the destination, and patients that wait for it."""


@contextmanager
def two_services(folder, *, seed, faulty, limits):
    """A sender, a receiver that can be killed and started again, and the way between them."""
    here, there = folder / "here", folder / "there"
    settings = {"SWALLOW_OUTGOING_HOSTS": "127.0.0.1"}
    with (
        serving("serve", "--port", "0", "--development-issuer", "--data-dir", here, settings=settings) as one,
        Receiver(there) as other,
        unreliable(other.url, seed=seed, faulty=faulty, stall_s=1.3 * limits["seconds"]) as way,
    ):
        options = folder / "options.json"
        options.write_text(json.dumps({"limits": limits}))
        words = ["--token-file", other.token, "--options", options, "--data-dir", here]
        run("destination", "add", "record", f"{way.url}/fhir", *words)
        yield one, other, way


class Receiver:
    """A service that is killed and comes back at the same address."""

    def __init__(self, folder) -> None:
        self.folder, self.url, self._serving, self.server = folder, "", None, None

    def __enter__(self) -> Self:
        self.start("0")
        self.token = token(self.folder)
        return self

    def __exit__(self, *_) -> None:
        self._serving.__exit__(None, None, None)

    def start(self, port):
        words = ("serve", "--port", port, "--development-issuer", "--data-dir", self.folder)
        self._serving = serving(*words)
        self.server = self._serving.__enter__()
        self.url = self.server.url

    def kill_and_restart(self):
        self.server.kill()
        self.__exit__()
        self.start(self.url.rpartition(":")[2])


def until_all_is_there(folder, seconds):
    """Wait until everything was looked through and nothing waits."""
    end = time.monotonic() + seconds
    address = f"file:{folder / 'here' / 'swallow.sqlite'}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as connection:
        while connection.execute(_LEFT).fetchone() != (0, 0):
            assert time.monotonic() < end, connection.execute("SELECT * FROM destination").fetchall()
            time.sleep(0.2)


def assert_once_and_in_order(sender, receiver, keys):
    """Everything is there once, as it is here now, and each resource became there what it became here."""
    assert_same(sender, receiver.server, keys)
    with client(sender, keys[0]) as one, client(receiver.server, keys[1]) as other:
        for type_ in content_types(one):
            theirs = {name_of(tree): tree for tree in everything(other, type_)}
            for tree in everything(one, type_):
                if int(theirs[name_of(tree)]["meta"]["versionId"]) > 1:
                    assert_in_order(_history(one, tree), _history(other, theirs[name_of(tree)]))


def assert_in_order(ours, theirs):
    places = [ours.index(one) for one in theirs]
    assert places == sorted(set(places)), "an older version came after a newer one, or one came twice"


def name_of(tree):
    return json.dumps(tree.get("identifier") or tree["id"], sort_keys=True)


def _history(http, tree):
    """What a resource said, version by version, without its references, which have other ids there."""
    page = http.get(f"/{tree['resourceType']}/{tree['id']}/_history?_count=500").raise_for_status().json()
    entries = [one["resource"] for one in reversed(page["entry"]) if "resource" in one]
    return [json.dumps(_without_references(one), sort_keys=True) for one in entries]


def _without_references(node):
    if isinstance(node, list):
        return [_without_references(one) for one in node]
    if not isinstance(node, dict):
        return node
    return {
        name: _without_references(value)
        for name, value in node.items()
        if name not in ("reference", "id", "versionId", "lastUpdated")
    }


def delivered_in_full(folder, people):
    """Deliver the visits of invented people, and corrections of them, while the receiver is killed twice.

    Answers counts: what arrived was compared with what was sent.
    """
    folder.mkdir(exist_ok=True)
    registry = folder / "registry.ndjson"
    run("synthesize", registry, "--patients", str(people), "--seed", "7")
    limits = {"seconds": 10.0, "concurrency": 4, "entries": 200}
    with two_services(folder, seed=7, faulty=0.2, limits=limits) as (sender, receiver, way):
        keys, begun = (token(folder / "here"), receiver.token), time.monotonic()
        run("load", registry, "--url", sender.url, "--token-file", keys[0], seconds=3_600)
        receiver.kill_and_restart()
        with client(sender, keys[0]) as http:
            _correct(http, everything(http, "Observation")[::97])
        receiver.kill_and_restart()
        until_all_is_there(folder, 3_600)
        seconds = time.monotonic() - begun
        assert_once_and_in_order(sender, receiver, keys)
        with client(sender, keys[0]) as http:
            counted = {
                type_: http.get(f"/{type_}?_summary=count").json()["total"] for type_ in content_types(http)
            }
    return {
        "visits": counted["Encounter"],
        "resources": sum(counted.values()),
        "faults": way.met.total() - way.met["none"],
        "seconds": round(seconds, 1),
    }


def _correct(http, observations):
    for one in observations:
        corrected = one | {"status": "corrected"}
        http.put(f"/Observation/{one['id']}", json=corrected).raise_for_status()

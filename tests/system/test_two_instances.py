"""What was loaded here arrives at a second service of the same kind, once, whatever happens on the way."""

import asyncio
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from processes import client, everything, run, serving, token
from same_instances import assert_same, content_types, versions
from sample_visits import visit_tree

from service.fhir.json import dump
from service.jobs.delivery import Delivery
from service.jobs.delivery_fhir import FhirSender
from service.jobs.destination import Destination, Limits, Login
from service.jobs.destinations import Destinations
from service.jobs.http_client import connect
from service.jobs.outgoing import Outgoing
from service.operations.own_resources import is_own
from service.records.preliminary import says_preliminary
from service.store.sqlite import SqliteStore

_JSON = {"Content-Type": "application/json"}
EXAMPLES = Path(__file__).parents[2] / "examples" / "visits"


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """A data folder that holds the demo."""
    folder = tmp_path_factory.mktemp("here")
    run("load", EXAMPLES, "--data-dir", folder)
    return folder


@pytest.fixture(autouse=True)
def on_this_machine(monkeypatch):
    """Deliver to an instance beside this one."""
    monkeypatch.setenv("SWALLOW_OUTGOING_HOSTS", "127.0.0.1")
    monkeypatch.setenv("SWALLOW_DELIVERY", "false")


@pytest.fixture
def here(loaded, tmp_path):
    return shutil.copytree(loaded, tmp_path / "here")


@pytest.fixture
def there(tmp_path):
    return tmp_path / "there"


def _serve(folder):
    return serving("serve", "--port", "0", "--development-issuer", "--data-dir", folder)


def _push(folder, server, token_file, *, check=True):
    """Deliver to a server, at which nothing but this does."""
    address = f"{server.url}/fhir"
    run("destination", "add", "record", address, "--token-file", token_file, "--data-dir", folder)
    return run("push", "record", "--patience", "5", "--data-dir", folder, check=check)


def test_visits_arrive_once_also_when_pushed_twice(here, there):
    with _serve(here) as sender, _serve(there) as receiver:
        keys = token(here), token(there)
        first = _push(here, receiver, keys[1])
        first_versions = versions(receiver, keys[1])
        second = _push(here, receiver, keys[1])
        assert second.stdout.startswith("0 resources delivered")
        assert first.stdout.startswith(f"{len(first_versions)} resources delivered in ")

        run("destination", "remove", "record", "--data-dir", here)
        third = _push(here, receiver, keys[1])
        assert third.stdout.startswith(f"{len(first_versions)} resources delivered in ")
        assert versions(receiver, keys[1]) == first_versions
        assert_same(sender, receiver, keys)


def test_the_receiver_is_killed_half_way(here, there):
    with _serve(there) as receiver:
        asyncio.run(_push_and_kill(here, receiver, token(there)))
    with _serve(here) as sender, _serve(there) as receiver:
        keys = token(here), token(there)
        with client(receiver, keys[1]) as http:
            assert 0 < len(everything(http, "Patient")) < 5
        _push(here, receiver, keys[1])
        assert_same(sender, receiver, keys)


def test_a_draft_stays_here_until_it_is_signed_and_then_arrives_whole(there, tmp_path):
    first, visit = visit_tree("demo-01-visit-1"), visit_tree("demo-01-visit-2")
    signature = {"state": "signed", "signed_at": "2026-02-10T12:00-05:00"}
    here = tmp_path / "with-a-draft"
    with _serve(here) as sender, _serve(there) as receiver:
        keys = token(here), token(there)
        _send(sender, keys[0], first)
        _send(sender, keys[0], visit | {"signature": {"state": "draft"}})
        _push(here, receiver, keys[1])
        assert _records(receiver, keys[1]) == {"demo-01-visit-1"}
        assert _drafts(receiver, keys[1]) == []

        _send(sender, keys[0], visit | {"signature": signature})
        _push(here, receiver, keys[1])
        assert _records(receiver, keys[1]) == {"demo-01-visit-1", "demo-01-visit-2"}
        assert _parts(receiver, keys[1], "demo-01-visit-2") == _parts(sender, keys[0], "demo-01-visit-2")
        assert _push(here, receiver, keys[1]).stdout.startswith("0 resources delivered")


def _send(server, token_file, tree):
    with client(server, token_file) as http:
        response = http.post(f"{server.url}/intake/visits", content=dump(tree), headers=_JSON)
    response.raise_for_status()


def _holds(server, token_file):
    with client(server, token_file) as http:
        types = content_types(http)
        return [one for type_ in types for one in everything(http, type_) if not is_own(type_, one["id"])]


def _names(tree):
    identifiers = tree.get("identifier", [])
    return [one["value"] for one in (identifiers if isinstance(identifiers, list) else [identifiers])]


def _parts(server, token_file, record):
    names = (name for one in _holds(server, token_file) for name in _names(one))
    return sorted(name for name in names if name.partition("/")[0] == record)


def _records(server, token_file):
    names = (name for one in _holds(server, token_file) for name in _names(one))
    return {name.partition("/")[0] for name in names if name.startswith("demo-01-visit")}


def _drafts(server, token_file):
    return [one for one in _holds(server, token_file) if says_preliminary(one)]


async def _push_and_kill(folder, receiver, token_file):
    """Deliver one patient at a time, and kill the receiver when three parcels have arrived."""
    store = SqliteStore(folder / "swallow.sqlite", clock=lambda: datetime.now(UTC))
    address, login = f"{receiver.url}/fhir", Login(token_file=str(token_file))
    record = Destination("record", "fhir", address, limits=Limits(concurrency=1), login=login)
    known = Destinations(store)
    delivery = Delivery(store, known, _killing(store, receiver), lambda: datetime.now(UTC), "a test")
    try:
        await known.add(record)
        done = await delivery.drain(record, 0.1)
    finally:
        await store.close()
    assert (done.parcels, done.failed) == (3, 3)


def _killing(store, receiver):
    class Killing(FhirSender):
        sent = 0

        async def send(self, parcel):
            if self.sent == 3:
                receiver.kill()
            self.sent += 1
            async for receipts in super().send(parcel):
                yield receipts

    def sender_for(one):
        secret = Path(one.login.token_file).read_text().strip()
        return Killing(one, store, connect(one.address, secret, Outgoing("127.0.0.1")))

    return sender_for

"""What gets lost or changed at the receiving end is found, exactly that, and sent again if asked."""

import json
import random
from pathlib import Path

import pytest
from processes import client, everything, run, serving, token
from same_instances import assert_same, content_types

EXAMPLES = Path(__file__).parents[2] / "examples" / "visits"
ONE = sorted(EXAMPLES.glob("demo-01-*.yaml"))


@pytest.fixture(autouse=True)
def on_this_machine(monkeypatch):
    monkeypatch.setenv("SWALLOW_OUTGOING_HOSTS", "127.0.0.1")
    monkeypatch.setenv("SWALLOW_DELIVERY", "false")


def reconcile(folder, *more):
    said = run("destination", "reconcile", "record", *more, "--data-dir", folder, check=False)
    assert said.stdout, said.stderr
    *lines, told = said.stdout.splitlines()
    return sorted(tuple(line.split()) for line in lines), told, said.returncode


def serve(folder):
    return serving("serve", "--port", "0", "--development-issuer", "--data-dir", folder)


@pytest.mark.conformance("J10")
def test_exactly_the_planted_differences_are_found_and_repaired(tmp_path):
    here, there = tmp_path / "here", tmp_path / "there"
    run("load", *ONE, "--data-dir", here)
    with serve(here) as sender, serve(there) as receiver:
        keys = token(here), token(there)
        words = ["--token-file", keys[1], "--data-dir", here]
        run("destination", "add", "record", f"{receiver.url}/fhir", *words)
        run("push", "record", "--data-dir", here)
        assert reconcile(here)[2] == 0

        with client(sender, keys[0]) as one, client(receiver, keys[1]) as other:
            ours = {name_of(tree): tree["id"] for tree in everything(one, "Observation")}
            theirs = everything(other, "Observation")
            chosen = random.Random(5).sample(theirs, 6)  # noqa: S311 - the same again
            lost, changed = chosen[:3], chosen[3:]
            for tree in lost:
                other.delete(f"/Observation/{tree['id']}").raise_for_status()
            for tree in changed:
                spoilt = tree | {"status": "corrected"}
                other.put(f"/Observation/{tree['id']}", json=spoilt).raise_for_status()
            identifier = [{**changed[0]["identifier"][0], "value": "planted"}]
            made = {k: v for k, v in changed[0].items() if k not in ("id", "meta")}
            extra = other.post("/Observation", json=made | {"identifier": identifier}).raise_for_status()
            extra_id = extra.headers["Location"].split("/_history")[0].rpartition("/")[2]
        planted = sorted(
            [
                *(("missing", f"Observation/{ours[name_of(tree)]}") for tree in lost),
                *(("different", f"Observation/{ours[name_of(tree)]}") for tree in changed),
                ("extra", f"Observation/{extra_id}"),
            ]
        )
        found, told, status = reconcile(here, "--repair")
        assert (found, status) == (planted, 1)
        assert told.endswith(" resources compared: 3 missing, 3 different, 1 extra.")
        with client(sender, keys[0]) as one:
            names = [f"Observation/{ours[name_of(tree)]}" for tree in lost]
            known = [tree for type_ in content_types(one) for tree in everything(one, type_)]
        sent = {*(ours[name_of(tree)] for tree in chosen), *referring(known, names)}
        said = run("push", "record", "--data-dir", here).stdout
        assert said.startswith(f"{len(sent)} resources delivered"), "what differs, and what refers to it"
        found, told, _ = reconcile(here)
        assert told.endswith(" resources compared: 0 missing, 0 different, 1 extra.")
        with client(receiver, keys[1]) as other:
            other.delete(f"/Observation/{extra_id}").raise_for_status()
        assert_same(sender, receiver, keys, least=300)


def referring(trees, names):
    texts = [(tree["id"], json.dumps(tree)) for tree in trees]
    return [id_ for id_, text in texts if any(f'"{name}' in text for name in names)]


def name_of(tree):
    return tree["identifier"][0]["value"]

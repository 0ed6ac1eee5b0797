"""A server killed in the middle of a load loses no acknowledged visit, doubles none, keeps none in halves."""

import json
import threading
import time

import pytest
from invented_visits import files
from processes import by_identifier, client, everything, run, searchable_types, serving, token

PATIENTS = 5  # of eight visits each: 40 records
KILL_AFTER = 15


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    return files(tmp_path_factory.mktemp("records"), PATIENTS)


@pytest.fixture(scope="module")
def undisturbed(records, tmp_path_factory):
    """Business identifiers of a load nobody disturbed."""
    folder = tmp_path_factory.mktemp("undisturbed")
    run("load", records[0].parent, "--data-dir", folder)
    with serving("serve", "--port", "0", "--development-issuer", "--data-dir", folder) as server:
        return _stored(server, folder)


@pytest.fixture(params=["sqlite", "postgres"])
def engine(request, monkeypatch):
    """The setting by which the service finds its database."""
    if request.param == "postgres":
        monkeypatch.setenv("SWALLOW_DATABASE_URL", request.getfixturevalue("database_url"))


@pytest.mark.usefixtures("engine")
def test_kill_during_load_and_load_again(records, undisturbed, tmp_path):
    arguments = ("serve", "--port", "0", "--development-issuer", "--data-dir", tmp_path)
    with serving(*arguments) as server:
        acknowledged = _load_until_killed(server, records[0].parent, tmp_path)
    assert KILL_AFTER <= acknowledged < len(records)

    with serving(*arguments) as server:
        found = _stored(server, tmp_path)
        whole = _visits(found)
        assert len(whole) >= acknowledged
        for visit in whole:
            assert _parts(found, visit) == _parts(undisturbed, visit)

        again = run(
            "load", records[0].parent, "--url", server.url, "--token-file", tmp_path / "integrator.token"
        )
        assert again.stdout.startswith(f"{len(records)} records:")
        after = _stored(server, tmp_path)
    assert all(len(ids) == 1 for ids in after.values())
    assert after.keys() == undisturbed.keys()
    for identifier, ids in found.items():
        assert after[identifier] == ids


def _load_until_killed(server, folder, data_dir):
    """Kill the server when enough visits are stored; answer how many the loader was told are."""
    told = []
    token_file = token(data_dir)
    loader = threading.Thread(
        target=lambda: told.append(
            run("load", folder, "--url", server.url, "--token-file", token_file, check=False).stdout
        )
    )
    with client(server, token_file) as http:
        loader.start()
        while http.get("/Encounter?_count=0").raise_for_status().json()["total"] < KILL_AFTER:
            time.sleep(0.05)
        server.kill()
    loader.join()
    assert "not sent, the service stopped answering" in told[0]
    return int(told[0].split()[0])


def _stored(server, data_dir):
    """Everything with a business identifier, by type of resource and identifier."""
    found = {}
    with client(server, token(data_dir)) as http:
        for type_ in searchable_types(http):
            found |= by_identifier(everything(http, type_))
    return found


def _visits(found):
    return [identifier for identifier in found if identifier.startswith('["Encounter"')]


def _parts(found, visit):
    """Identifiers of the parts of one visit's record."""
    _, system, value = json.loads(visit)
    root = f'"{system}", "{value}/'
    return {identifier for identifier in found if root in identifier}

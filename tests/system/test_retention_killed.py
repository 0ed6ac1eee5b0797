"""Ageing out that is killed leaves nobody half erased, and the next run goes on."""

import asyncio
import json
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime, timedelta

from service.fhir.search_keys import extract
from service.store.sqlite import SqliteStore

PEOPLE, EACH = 150, 6
LONG_AGO = datetime.now(UTC) - timedelta(days=40)
APPLY = [sys.executable, "-c", "from service.cli import main; main()", "retention", "apply"]


def trees():
    for person in range(PEOPLE):
        subject = {"subject": {"reference": f"Patient/p{person}"}}
        yield {"resourceType": "Patient", "id": f"p{person}"}
        for number in range(EACH - 1):
            about = {"resourceType": "Observation", "id": f"o{person}-{number}", "status": "final"}
            yield {**about, "code": {"text": "weight"}, **subject}


async def fill(path):
    store = SqliteStore(path, clock=lambda: LONG_AGO)

    async def work(txn):
        for tree in trees():
            await txn.put(tree["resourceType"], tree["id"], json.dumps(tree).encode(), extract(tree))

    await store.write("fill", work)
    await store.close()


def state(path):
    """How many resources are left of each person, and who was erased."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        rows = connection.execute("SELECT type, id FROM current WHERE NOT deleted").fetchall()
        left = Counter(id_.lstrip("po").partition("-")[0] for _, id_ in rows)
        erased = connection.execute("SELECT name FROM entry WHERE kind = 'erasure'").fetchall()
    return left, {name.removeprefix("p") for (name,) in erased}


def test_a_run_that_is_killed_leaves_nobody_half_erased_and_the_next_goes_on(tmp_path, monkeypatch):
    monkeypatch.setenv("SWALLOW_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("SWALLOW_RETENTION_PERSON_DAYS", "30")
    path = tmp_path / "swallow.sqlite"
    asyncio.run(fill(path))
    with subprocess.Popen(APPLY, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:  # noqa: S603
        end = time.monotonic() + 120
        while len(state(path)[1]) < 5 and time.monotonic() < end:
            time.sleep(0.002)
        running.kill()
    left, erased = state(path)
    assert 5 <= len(erased) < PEOPLE
    assert left == {str(one): EACH for one in range(PEOPLE) if str(one) not in erased}
    again = subprocess.run(APPLY, check=True, capture_output=True, text=True, timeout=300)  # noqa: S603
    assert str(PEOPLE - len(erased)) in again.stdout
    left, erased = state(path)
    assert (left, len(erased)) == ({}, PEOPLE)
    register = json.loads((tmp_path / "erasures.json").read_text("utf-8"))
    assert register.keys() == {f"p{one}" for one in range(PEOPLE)}

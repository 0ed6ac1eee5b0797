"""A service killed while it writes an export: another goes on, to the files of one that was never killed."""

import asyncio
import sys
import time
from datetime import UTC, datetime
from urllib.parse import urlsplit

import httpx
import pytest
from databases import AnyLoop
from processes import serving

from service.fhir.search_values import SearchKeys
from service.security.development_issuer import DevelopmentIssuer
from service.store.sqlite import SqliteStore

KILLED = """
import os, signal
from itertools import count
from service.jobs import bulk_files, bulk_walk

bulk_walk._STRETCH, bulk_walk._NOTED_S = 7, 0
written, real = count(1), bulk_files.BulkFiles.write

def write(files, *more):
    real(files, *more)
    if next(written) == 40:
        for _, file in files._open.values():
            file.write(b'{"resourceType": "Half a line')
            file.flush()
        os.kill(os.getpid(), signal.SIGKILL)

bulk_files.BulkFiles.write = write
from service.cli import main
main()
"""
"""The service, in small steps each of which is noted, until the fortieth."""


@pytest.fixture(params=["sqlite", "postgres"])
def store(request, tmp_path, monkeypatch):
    """An empty store, which the services of this test find."""
    if request.param == "sqlite":
        return SqliteStore(tmp_path / "data" / "swallow.sqlite", clock=lambda: datetime.now(UTC))
    url = request.getfixturevalue("database_url")
    monkeypatch.setenv("SWALLOW_DATABASE_URL", url)
    return AnyLoop(url, lambda: datetime.now(UTC))


async def filled(store):
    """Two hundred people, each with a Goal."""

    async def work(txn):
        for number in range(200):
            for type_ in ("Patient", "Goal"):
                text = b'{"resourceType": "%s", "language": "x-%d"}' % (type_.encode(), number)
                await txn.put(type_, f"t{number}", text, SearchKeys(f"t{number}"))

    await store.write("test", work)
    await store.close()


def contents(http, status):
    """The names of an export's files and what is in them, when it is done."""
    end = time.monotonic() + 60
    while (answer := http.get(status)).status_code in {202, 429}:
        assert time.monotonic() < end
        time.sleep(0.1)
    manifest = answer.raise_for_status().json()
    pieces = [
        (
            one["type"],
            one["count"],
            one["url"].rpartition("/")[2],
            http.get(urlsplit(one["url"]).path).content,
        )
        for one in manifest["output"]
    ]
    return manifest["transactionTime"], sorted(pieces)


@pytest.mark.conformance("J3", "J7")
def test_another_service_goes_on_and_writes_the_same_files(store, tmp_path, monkeypatch):
    monkeypatch.setenv("SWALLOW_EXPORT_FILE_MB", "0.01")
    data = tmp_path / "data"
    asyncio.run(filled(store))
    token = DevelopmentIssuer(data).sign("system", "system/*.rs", now=time.time())
    arguments = ("serve", "--port", "0", "--development-issuer", "--data-dir", data)
    signed = {"Authorization": f"Bearer {token}", "Prefer": "respond-async"}
    with serving(*arguments, command=(sys.executable, "-c", KILLED)) as server:
        kicked = httpx.get(f"{server.url}/fhir/$export", headers=signed)
        assert kicked.status_code == 202, kicked.text
        status = urlsplit(kicked.headers["Content-Location"]).path
        assert server.process.wait(60) == -9
    folder = data / "exports" / status.rpartition("/")[2]
    noted = (folder / "progress.json").read_text()
    assert '"ended":0.0' in noted
    assert '"name"' in noted
    with serving(*arguments) as server, httpx.Client(headers=signed, base_url=server.url) as http:
        moment, resumed = contents(http, status)
        whole = http.get("/fhir/$export").headers["Content-Location"]
        later, uninterrupted = contents(http, urlsplit(whole).path)
    assert moment < later
    assert len(resumed) > len({type_ for type_, *_ in resumed})
    assert [piece[:3] for piece in resumed] == [piece[:3] for piece in uninterrupted]
    assert resumed == uninterrupted

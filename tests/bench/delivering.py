"""Delivery to a second service, against that service taking the same in; and beside a dead one."""

import asyncio
import time
from collections.abc import Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import httpx

from service.jobs.delivery import Delivery
from service.jobs.destination import Destination, Limits, Login
from service.jobs.destinations import Destinations
from service.jobs.outgoing import Outgoing
from service.jobs.senders import sender_for
from service.jobs.synthetic_bundles import synthetic_bundles
from service.jobs.synthetic_tables import registry
from service.store import destinations
from service.store.sqlite import SqliteStore
from service.terminology.codes import codes
from tests.bench.measure import Row
from tests.processes import run, serving, token

__all__ = ["delivering"]

INGEST_LIMIT = 2.0
"""At most so many times as long as the receiving end takes to take the same in."""
DEAD_LIMIT = 1.25
_AT_ONCE = 4
_HERE = Outgoing("127.0.0.1")
_DEAD = "http://127.0.0.1:9/fhir"
"""Nobody listens there."""


async def delivering(folder: Path, people: int, rounds: int) -> list[Row]:
    """Everything of some invented people, each time to a service that has nothing yet."""
    bundles = folder / "delivering.ndjson"
    synthetic_bundles(registry(3, 4), people, bundles, codes("all"))
    run("load", bundles, "--data-dir", folder / "sending")
    count = len(bundles.read_bytes().split(b'"fullUrl"')) - 1
    taken, sent, beside = [], [], []
    for number in range(rounds):
        for times, work in (
            (taken, partial(_take_in, bundles)),
            (sent, partial(_deliver, folder, dead=False)),
            (beside, partial(_deliver, folder, dead=True)),
        ):
            place = folder / f"receiving-{number}-{len(sent)}-{len(beside)}-{len(taken)}"
            times.append(await _timed(place, work) / count)
    return [
        Row(
            f"a resource delivered to a second service (mean of {count:,})",
            "that service takes in the same, sent as Bundles",
            sent,
            taken,
            INGEST_LIMIT,
        ),
        Row("the same beside a destination that does not answer", "without it", beside, sent, DEAD_LIMIT),
    ]


async def _timed(place: Path, work: Callable[[str, Path], Awaitable[None]]) -> float:
    with serving("serve", "--port", "0", "--development-issuer", "--data-dir", place) as server:
        secret = token(place)
        begun = time.perf_counter()
        await work(f"{server.url}/fhir", secret)
        return time.perf_counter() - begun


async def _take_in(bundles: Path, address: str, secret: Path) -> None:
    lines = iter(await asyncio.to_thread(lambda: bundles.read_bytes().splitlines()))
    text = await asyncio.to_thread(secret.read_text)
    headers = {"Authorization": f"Bearer {text.strip()}", "Content-Type": "application/fhir+json"}

    async def some(client: httpx.AsyncClient) -> None:
        for line in lines:
            (await client.post(address, content=line)).raise_for_status()

    async with httpx.AsyncClient(headers=headers, timeout=120) as client:
        await asyncio.gather(*(some(client) for _ in range(_AT_ONCE)))


async def _deliver(folder: Path, address: str, secret: Path, *, dead: bool) -> None:
    async with _sending(folder, address, secret, dead=dead) as (delivery, store):
        running = asyncio.create_task(delivery.run())
        while True:
            await asyncio.sleep(0.05)
            waits = (await destinations.waiting(store)).get("live")
            stands = (await destinations.standings(store)).get("live")
            if stands and stands.sent and waits is None:
                break
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


@asynccontextmanager
async def _sending(folder: Path, address: str, secret: Path, *, dead: bool):
    """A delivery of everything in the sending store, which has delivered nothing yet."""
    store = SqliteStore(folder / "sending" / "swallow.sqlite", clock=lambda: datetime.now(UTC))
    known, login = Destinations(store), Login(token_file=str(secret))
    try:
        limits = Limits(concurrency=_AT_ONCE)
        await known.add(Destination("live", "fhir", address, limits=limits, login=login))
        if dead:
            await known.add(Destination("dead", "fhir", _DEAD))
        now = partial(datetime.now, UTC)
        yield Delivery(store, known, lambda one: sender_for(one, store, _HERE), now, "a bench"), store
        for one in await known.all():
            await known.remove(one.name)
    finally:
        await store.close()

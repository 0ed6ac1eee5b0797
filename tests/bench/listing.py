"""The list of patients: its pages among 10,000 people, making rows anew, and what that costs an intake."""

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx

from service.cli.local import now
from service.fhir.search_keys import extract
from service.jobs.summaries import Summaries
from service.operations.cue_limits import cue_limits
from service.operations.goal_attainment import compute
from service.page.panel_row import RowMaker
from service.settings import Settings
from service.store.contract import Store, Transaction
from service.store.summaries import Seen, Summary
from tests.bench.measure import Row, Size, alternately, timed
from tests.bench.people import VISITS, Bench, bench, uploads
from tests.bench.signed_in import ME, signed_in

__all__ = ["list_of_patients"]

PAGE_MS = 300
"""Server time of a page of the list, warm."""
_VIEWS = (
    "/app?list=all",
    "/app?list=all&sort=visit",
    "/app?list=all&sort=status&page=100",
    "/app?list=all&sort=cues&status=sustaining",
    "/app?list=all&cue=any&review=overdue",
    "/app?list=all&unseen=90&sort=review&page=3",
    "/app",
)
_CHUNK = 500


async def list_of_patients(folder: Path, url: str, people: int) -> tuple[list[Row], list[Size]]:
    """On SQLite and on the empty PostgreSQL at ``url``."""
    rows: list[Row] = []
    sizes: list[Size] = []
    for engine, address in (("SQLite", ""), ("PostgreSQL", url)):
        async with bench(folder / f"list-{engine}", database_url=address) as place:
            for upload in uploads(2):
                await place.accept(upload)
            summaries = _summaries(place)
            rows += [await _renewal(summaries, engine), await _intake(place, summaries, engine)]
            await _fill(place.store, summaries, people)
            sizes.append(await _pages(place, people, engine))
    return rows, sizes


def _summaries(place: Bench) -> Summaries:
    maker = RowMaker(place.settings.zone, cue_limits(place.settings))
    return Summaries(place.store, maker, place.settings.zone, now)


async def _patients(store: Store) -> list[str]:
    return [one.id async for one in store.changes() if one.type == "Patient"]


async def _renewal(summaries: Summaries, engine: str) -> Row:
    """One row, kept durably, against the answer it is made of."""
    (patient, *_) = await _patients(summaries.store)
    work = partial(summaries.renew, [patient])

    def alone() -> Awaitable[object]:
        return compute(summaries.store, patient, summaries.today, zone=summaries.zone)

    took = await alternately(work, alone, rounds=10, times=3)
    return Row(f"a row of the list made anew, {VISITS} visits, {engine}", "the answer alone", *took)


async def _intake(place: Bench, summaries: Summaries, engine: str) -> Row:
    """Records of one person while rows are made anew beside, and of the next while they are not."""
    beside: list[float] = []
    alone: list[float] = []
    records = uploads(8)[2 * VISITS :]
    for number in range(0, len(records), 2 * VISITS):
        first, second = records[number : number + VISITS], records[number + VISITS : number + 2 * VISITS]
        alone += [await timed(partial(place.accept, one)) for one in first]
        async with _renewing(summaries):
            beside += [await timed(partial(place.accept, one)) for one in second]
    name = f"intake of one visit record while rows are made anew, {engine}"
    return Row(name, "the same without", beside, alone)


@asynccontextmanager
async def _renewing(summaries: Summaries) -> AsyncIterator[None]:
    task = asyncio.create_task(summaries.run())
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def _fill(store: Store, summaries: Summaries, people: int) -> None:
    """People without visits whose rows are those of the people with visits."""
    made = [await summaries.maker(store, one, summaries.today) for one in await _patients(store)]
    for start in range(0, people, _CHUNK):
        ids = [f"person-{number}" for number in range(start, min(start + _CHUNK, people))]
        await store.write("bench", partial(_put, ids))
        seen = await store.seen(ids)
        kept = [
            _row(made[number % len(made)], start + number, one, summaries) for number, one in enumerate(seen)
        ]
        await store.write("bench", partial(_keep, seen, kept))
    for one in await _patients(store):
        if not one.startswith("person-"):
            await summaries.renew([one])


async def _put(ids: list[str], transaction: Transaction) -> None:
    for id_ in ids:
        tree: dict[str, Any] = {"resourceType": "Patient", "id": id_, "name": [{"family": id_}]}
        keys = extract(tree, zone=Settings().zone)
        await transaction.put("Patient", id_, json.dumps(tree).encode(), keys)


async def _keep(seen: list[Seen], rows: list[Summary], transaction: Transaction) -> None:
    for one, row in zip(seen, rows, strict=True):
        await transaction.keep_summary(one, row)


def _row(made: Summary, number: int, seen: Seen, summaries: Summaries) -> Summary:
    """A row like one that was made, with values of its own to be ordered and narrowed by."""
    day = summaries.today - timedelta(days=number * 7 % 400)
    return replace(
        made,
        patient=seen.patient,
        name=f"family{number * 7919 % 10_007:05d} given",
        last_visit=day.isoformat(),
        next_review=(day + timedelta(days=60)).isoformat(),
        concern=number % 10,
        cues=number % 4,
        tags=made.tags | {f"team={ME}"} | ({"review=overdue"} if number % 5 == 0 else set()),
    )


async def _pages(place: Bench, people: int, engine: str) -> Size:
    """The slowest of several views, each the median of its times, the first left out."""
    async with signed_in(place) as client:
        asks = [partial(_get, client, view) for view in _VIEWS]
        asks.append(partial(_find, client))
        took = [sorted([await timed(ask) for _ in range(8)][1:])[3] for ask in asks]
    what = f"a page of the list of {people:,} people, {engine}, slowest of {len(took)} views"
    return Size(what, 1_000 * max(took), "ms", most=PAGE_MS)


async def _get(client: httpx.AsyncClient, view: str) -> None:
    answer = await client.get(view)
    answer.raise_for_status()
    if "being brought up to date" in answer.text:
        raise AssertionError(view)


async def _find(client: httpx.AsyncClient) -> None:
    (await client.post("/app", data={"name": "given 0012"})).raise_for_status()

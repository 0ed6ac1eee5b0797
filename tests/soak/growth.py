"""Whether a store of a million resources is as quick as one of ten thousand."""

import time
from collections.abc import Iterable, Iterator
from contextlib import AsyncExitStack
from itertools import cycle
from pathlib import Path

import httpx

from service.fhir.search_clauses import Reader, parse_clauses
from service.operations.upload import Upload
from service.store.contract import Query
from service.terminology.codes import OBSERVATION
from tests.bench.measure import Row, Size, alternately
from tests.bench.people import VISITS, Bench, bench, uploads
from tests.bench.person_page import PAGE_SECONDS
from tests.bench.reading import DAY
from tests.bench.signed_in import signed_in
from tests.soak.people import fill

__all__ = ["growth"]

RATE_SHARE = 0.8
"""The rate of intake in the large store is at least so much of that in the small one."""
PAGE_LIMIT = 1.5


async def growth(folder: Path, small: int, large: int, rounds: int) -> tuple[list[Row], list[Size]]:
    """Intake, the first page of a search and a person's page, among ``large`` resources against ``small``."""
    async with AsyncExitStack() as stack:
        little = await stack.enter_async_context(bench(folder / "small"))
        much = await stack.enter_async_context(bench(folder / "large"))
        await fill(little, small)
        begin = time.perf_counter()
        people = await fill(much, large)
        filled = time.perf_counter() - begin
        name = f"{large:,} resources of {people:,} people"
        rows = [await _intake(little, much, name, f"the same among {small:,}", rounds)]
        rows.append(await _page(little, much, name, f"the same among {small:,}", rounds))
        rows.append(await _person(little, much, name, f"the same among {small:,}", rounds))
    size = (folder / "large" / "swallow.sqlite").stat().st_size
    return rows, [
        Size("filling the large store, resources a second", large / filled, ""),
        Size("the large store on disk, bytes a resource", size / large, "B"),
    ]


async def _intake(little: Bench, much: Bench, name: str, floor: str, rounds: int) -> Row:
    people = 2 + rounds // VISITS
    new = iter(uploads(people)[VISITS:])  # the first person is there already
    same: list[Upload] = []

    async def into_much() -> None:
        same.append(next(new))
        await much.accept(same[-1])

    async def into_little() -> None:
        await little.accept(same[-1])

    took = await alternately(into_much, into_little, rounds=rounds - 1)
    return Row(f"intake of one visit record among {name}", floor, *took, limit=1 / RATE_SHARE)


async def _page(little: Bench, much: Bench, name: str, floor: str, rounds: int) -> Row:
    queries = {id(place): _queries(place, await _people(place)) for place in (little, much)}

    async def ask(place: Bench) -> None:
        await place.store.search(next(queries[id(place)]))

    took = await alternately(lambda: ask(much), lambda: ask(little), rounds=10 * rounds)
    return Row(f"first page (20 rows) of patient + code + date among {name}", floor, *took, limit=PAGE_LIMIT)


async def _person(little: Bench, much: Bench, name: str, floor: str, rounds: int) -> Row:
    """The page of one person after the other."""
    people = {id(place): cycle(await _people(place)) for place in (little, much)}
    async with signed_in(little) as at_little, signed_in(much) as at_much:

        async def ask(place: Bench, client: httpx.AsyncClient) -> None:
            address = f"/app/patients/{next(people[id(place)])}"
            (await client.get(address, params={"date": DAY.isoformat()})).raise_for_status()

        took = await alternately(
            lambda: ask(much, at_much), lambda: ask(little, at_little), rounds=rounds, times=2
        )
    return Row(f"the page of a person among {name}", floor, *took, limit=PAGE_LIMIT, most=PAGE_SECONDS)


async def _people(place: Bench) -> list[str]:
    page = await place.store.search(Query("Patient", count=15, total="none"))
    return [version.id for version in page.versions]


def _queries(place: Bench, people: Iterable[str]) -> Iterator[Query]:
    """The search of one person after the other, over and over."""
    reader = Reader(place.settings.zone, now=0)
    queries = []
    for patient in people:
        asked = [
            ("patient", f"Patient/{patient}"),
            ("code", f"{OBSERVATION}|trial-closure"),
            ("date", "ge2026-01-01"),
        ]
        clauses = parse_clauses("Observation", asked, reader=reader).clauses
        queries.append(Query("Observation", clauses, count=20, total="none"))
    return cycle(queries)

"""Whether a store of a million resources is as quick as one of ten thousand."""

import time
from collections.abc import Iterator
from contextlib import AsyncExitStack
from pathlib import Path

from service.fhir.search_clauses import Reader, parse_clauses
from service.operations.upload import Upload
from service.store.contract import Query
from service.terminology.codes import OBSERVATION
from tests.bench.measure import Row, Size, alternately
from tests.bench.people import VISITS, Bench, bench, uploads
from tests.soak.people import fill

__all__ = ["growth"]

RATE_SHARE = 0.8
"""The rate of intake in the large store is at least so much of that in the small one."""
PAGE_LIMIT = 1.5


async def growth(folder: Path, small: int, large: int, rounds: int) -> tuple[list[Row], list[Size]]:
    """Intake, and the first page of a search, among ``large`` resources against ``small``."""
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
    queries = {id(place): await _queries(place) for place in (little, much)}

    async def ask(place: Bench) -> None:
        await place.store.search(next(queries[id(place)]))

    took = await alternately(lambda: ask(much), lambda: ask(little), rounds=10 * rounds)
    return Row(f"first page (20 rows) of patient + code + date among {name}", floor, *took, limit=PAGE_LIMIT)


async def _queries(place: Bench) -> Iterator[Query]:
    """The search of one person after the other, over and over."""
    page = await place.store.search(Query("Patient", count=15, total="none"))
    reader = Reader(place.settings.zone, now=0)
    queries = []
    for patient in page.versions:
        asked = [
            ("patient", f"Patient/{patient.id}"),
            ("code", f"{OBSERVATION}|trial-closure"),
            ("date", "ge2026-01-01"),
        ]
        clauses = parse_clauses("Observation", asked, reader=reader).clauses
        queries.append(Query("Observation", clauses, count=20, total="none"))
    return iter(queries * 1_000)

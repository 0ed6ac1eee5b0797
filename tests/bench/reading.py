"""Reading by id, searching, and computing goal attainment, against reading the same rows alone."""

import asyncio
from collections.abc import Awaitable, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from service.fhir.json import Tree, dump, reread
from service.fhir.search_clauses import Reader, parse_clauses
from service.fhir.search_keys import extract
from service.fhir.search_values import SearchKeys
from service.operations.goal_attainment import goal_attainment
from service.store.contract import Page, Query, Store, Transaction, Version
from service.terminology.codes import OBSERVATION, codes
from tests.bench.floor import BareStore, rows_after
from tests.bench.measure import Row, alternately
from tests.bench.people import VISITS, Bench, bench, uploads

__all__ = ["DAY", "attainment", "first_page", "read_by_id"]

ATTAINMENT_LIMIT = 3
PAGE_LIMIT = 1.5
DAY = date(2026, 12, 1)
"""As of which day people are looked at."""
_EACH = 100
"""Observations of each person in the search measurement."""


class _Recorder:
    """Passes reads on to a store and remembers them."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.queries: list[Query] = []

    async def read(self, type_: str, id_: str) -> Version | None:
        return await self._store.read(type_, id_)

    async def search(self, query: Query) -> Page:
        self.queries.append(query)
        return await self._store.search(query)


async def attainment(folder: Path, rounds: int) -> list[Row]:
    """``$goal-attainment`` of a person with eight visits of 25 trials, from the store to JSON text.

    Against the same searches, their rows as they come; and once more with each row decoded.
    """
    async with bench(folder / "attainment") as place:
        for upload in uploads(1):
            await place.accept(upload)
        patient = await _patient(place)
        answer = partial(goal_attainment, context=place.context, codes=codes("all"))
        recorder: Any = _Recorder(place.store)
        await answer(recorder, patient, DAY)

        async def rows() -> list[Version]:
            await place.store.read("Patient", patient)
            return [one for query in recorder.queries for one in (await place.store.search(query)).versions]

        async def trees() -> list[Tree]:
            return [reread(one.content) for one in await rows()]

        def ours() -> Awaitable[bytes]:
            return answer(place.store, patient, DAY)

        name = f"$goal-attainment, {VISITS} visits of 25 trials, {len(await rows())} rows"
        alone = await alternately(ours, rows, rounds=rounds, times=3)
        decoded = await alternately(ours, trees, rounds=rounds, times=3)
    return [
        Row(name, "the same searches, rows not decoded", *alone, limit=ATTAINMENT_LIMIT),
        Row("the same", "the same searches, each row decoded", *decoded),
    ]


async def read_by_id(folder: Path, rounds: int) -> Row:
    """Newest versions by id, one after the other."""
    async with bench(folder / "read") as place:
        for upload in uploads(1):
            await place.accept(upload)
        rows = rows_after(place.database, 0)
        bare = BareStore(folder / "read-floor.sqlite")
        bare.write(rows)
        names = [(row[1], row[2]) for row in rows.current]

        async def ours() -> None:
            for type_, id_ in names:
                await place.store.read(type_, id_)

        async def floor() -> None:
            for type_, id_ in names:
                bare.read(type_, id_)

        work, baseline = await alternately(ours, floor, rounds=rounds)
        bare.close()
    each = len(names)
    return Row(
        "read of one resource by id",
        "bare sqlite3",
        [one / each for one in work],
        [one / each for one in baseline],
    )


async def first_page(folder: Path, small: int, large: int, rounds: int) -> Row:
    """First page of patient and code and date among ``large`` resources, and among ``small``."""
    async with bench(folder / "small") as little, bench(folder / "large") as much:
        await asyncio.gather(_fill(little.store, small // _EACH), _fill(much.store, large // _EACH))
        query = _query(little)
        work, floor = await alternately(
            lambda: much.store.search(query), lambda: little.store.search(query), rounds=rounds, times=10
        )
        found = (await much.store.search(query)).versions
    return Row(
        f"first page ({len(found)} rows) of patient + code + date, {large:,} resources",
        f"the same among {small:,}",
        work,
        floor,
        PAGE_LIMIT,
    )


def _query(place: Bench) -> Query:
    asked = [
        ("patient", "Patient/person-7"),
        ("code", f"{OBSERVATION}|trial-closure"),
        ("date", "ge2026-01-01"),
    ]
    clauses = parse_clauses("Observation", asked, reader=Reader(place.settings.zone, now=0)).clauses
    return Query("Observation", clauses, count=20, total="none")


async def _fill(store: Store, people: int) -> None:
    """A hundred Observations for each person: fifty trials, fifty judgements."""
    kinds = [_observation(code) for code in ("trial-closure", "trial-self-judgement")]
    for first in range(0, people, 20):
        await store.write(
            "fill", partial(_put_all, kinds=kinds, people=range(first, min(first + 20, people)))
        )


async def _put_all(txn: Transaction, kinds: Sequence[tuple[bytes, SearchKeys]], people: range) -> None:
    for person in people:
        for number in range(_EACH):
            content, keys = kinds[number % len(kinds)]
            text = content.replace(b"Patient/someone", f"Patient/person-{person}".encode())
            await txn.put("Observation", f"o-{person}-{number}", text, _of(keys, f"person-{person}"))


def _observation(code: str) -> tuple[bytes, SearchKeys]:
    tree: Tree = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": OBSERVATION, "code": code}]},
        "subject": {"reference": "Patient/someone"},
        "effectiveDateTime": "2026-02-03T09:00:00+01:00",
        "note": [{"text": "x" * 1_000}],
    }
    return dump(tree), extract(tree)


def _of(keys: SearchKeys, patient: str) -> SearchKeys:
    references = tuple(one._replace(target=f"Patient/{patient}") for one in keys.references)
    return keys._replace(patient=patient, references=references)


async def _patient(place: Bench) -> str:
    (found,) = (await place.store.search(Query("Patient"))).versions
    return str(reread(found.content)["id"])

"""The page of a person, against the computed answer alone."""

from collections.abc import Awaitable
from functools import partial
from pathlib import Path

from service.operations.goal_attainment import goal_attainment
from service.store.contract import Query
from service.terminology.codes import codes
from tests.bench.measure import Row, Work, alternately
from tests.bench.people import VISITS, Bench, bench, uploads
from tests.bench.reading import DAY
from tests.bench.signed_in import signed_in

__all__ = ["PAGE_SECONDS", "person_page"]

PAGE_SECONDS = 0.15
"""A person waits for it."""


async def person_page(folder: Path, rounds: int) -> list[Row]:
    """The page and the sheet of a person with eight visits of 25 trials, as they are asked for."""
    async with bench(folder / "page") as place:
        for upload in uploads(1):
            await place.accept(upload)
        (found,) = (await place.store.search(Query("Patient"))).versions
        address = f"/app/patients/{found.id}"
        answer = _answer(place, found.id)
        async with signed_in(place) as client:

            async def fetch(path: str) -> None:
                (await client.get(path, params={"date": DAY.isoformat()})).raise_for_status()

            page = await alternately(partial(fetch, address), answer, rounds=rounds)
            sheet = await alternately(partial(fetch, f"{address}/summary.pdf"), answer, rounds=rounds)
    alone = "$goal-attainment alone"
    return [
        Row(f"the page of a person, {VISITS} visits", alone, *page, most=PAGE_SECONDS),
        Row("the summary of a person as PDF", alone, *sheet, most=PAGE_SECONDS),
    ]


def _answer(place: Bench, patient: str) -> Work:
    def work() -> Awaitable[bytes]:
        return goal_attainment(place.store, patient, DAY, context=place.context, codes=codes("all"))

    return work

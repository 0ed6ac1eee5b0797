"""Ten minutes of mixed work on one service: its memory, and what was answered."""

import asyncio
import time
from itertools import count
from pathlib import Path
from statistics import median

from tests.bench.http_load import Caller, called
from tests.bench.measure import Size
from tests.bench.people import VISITS, bench, uploads
from tests.bench.serving import memory, quantile, running
from tests.invented_visits import visit_records
from tests.processes import Server

__all__ = ["mixed"]

GROWTH_LIMIT = 20
"""Per cent by which memory may grow after the first minute."""
_PEOPLE = 10
_PAUSE = 0.1
_SAMPLE = 5.0


async def mixed(folder: Path, seconds: float) -> list[Size]:
    """Readers on eight connections and records coming in on one, all the time; memory every few seconds."""
    async with bench(folder / "mixed") as place:
        for upload in uploads(_PEOPLE):
            await place.accept(upload)
        ids = [one.id async for one in place.store.changes() if one.type == "Patient"]
        observations = [one.id async for one in place.store.changes() if one.type == "Observation"]
    with running(folder / "mixed") as (server, caller):
        held: list[tuple[float, int]] = []
        begin = time.monotonic()
        records = [
            caller.request("POST", "/intake/visits", text.encode())
            for _, text in list(visit_records(_PEOPLE + int(seconds)))[_PEOPLE * VISITS :]
        ]
        read, written, _ = await asyncio.gather(
            called(caller, _reading(caller, ids, observations), connections=8, seconds=seconds, each=_PAUSE),
            called(caller, records, connections=1, seconds=seconds, each=_PAUSE),
            _watch(server, held, begin, seconds),
        )
    first = median(size for moment, size in held if 60 <= moment < 120 or seconds < 180)
    last = median(size for moment, size in held if moment >= seconds - 60)
    share = f"in {seconds / 60:.0f} minutes of mixed work"
    return [
        Size(f"requests answered {share}", len(read) + len(written), ""),
        Size(f"visit records taken up {share}", len(written), ""),
        Size(f"slowest request in a hundred {share}", 1e3 * quantile([*read, *written], 0.99), "ms"),
        Size("memory of the service after the first minute", first / 1e6, "MB"),
        Size(f"growth of memory after that, {share}", 100 * (last - first) / first, "%", most=GROWTH_LIMIT),
    ]


def _reading(caller: Caller, patients: list[str], observations: list[str]) -> list[bytes]:
    """Reads, searches, histories, goal attainment, and small transactions, mixed."""
    requests: list[bytes] = []
    numbers = count()
    for patient, one in zip(patients * 20, observations, strict=False):
        requests += [
            caller.request("GET", path)
            for path in (
                f"/fhir/Observation/{one}",
                f"/fhir/Observation?patient={patient}&_count=50",
                f"/fhir/Goal?patient={patient}",
                f"/fhir/Patient/{patient}/_history",
                f"/fhir/Patient/{patient}/$goal-attainment?date=2026-12-01",
                "/fhir/metadata",
                f"/fhir/Observation?patient={patient}&_sort=-date&_count=100",
            )
        ]
        requests.append(_put(caller, next(numbers)))
    return requests


def _put(caller: Caller, number: int) -> bytes:
    """A small resource that gets another version each time round."""
    body = (
        f'{{"resourceType":"Observation","id":"soak-{number}","status":"final","code":{{"text":"x"}},'
        f'"valueInteger":{number}}}'
    )
    path = f"/fhir/Observation/soak-{number}"
    return caller.request("PUT", path, body.encode(), "application/fhir+json")


async def _watch(server: Server, held: list[tuple[float, int]], begin: float, seconds: float) -> None:
    while (moment := time.monotonic() - begin) < seconds:
        held.append((moment, memory(server)))
        await asyncio.sleep(_SAMPLE)

"""Whether a long backlog is delivered with no more memory than a short one."""

import asyncio
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from service.fhir.search_keys import extract
from service.jobs.delivery import Delivery
from service.jobs.destination import Destination
from service.jobs.destinations import Destinations
from service.jobs.outgoing import Outgoing
from service.jobs.senders import sender_for
from service.store.sqlite import SqliteStore
from tests.bench.measure import Size

__all__ = ["backlog", "drained"]

MOST_GROWTH = 1.25
"""Times the memory of the short backlog, whatever the length."""
_EACH = 10
"""Resources a person, the person included."""
_PROGRAM = """
import asyncio, sys
from pathlib import Path
from tests.soak.backlog import drained
print(asyncio.run(drained(Path(sys.argv[1]))))
"""


def backlog(folder: Path, short: int, long: int) -> list[Size]:
    """Fill two stores and drain each in a process of its own, into a folder of files."""
    sizes = []
    for count in (short, long):
        (folder / str(count) / "out").mkdir(parents=True)
        asyncio.run(_filled(folder / str(count), count))
        sizes.append(_measured(folder / str(count), count))
    (_, little), (seconds, much) = sizes
    what = f"a backlog of {long:,} resources"
    return [
        Size(f"{what}: resources delivered a second into a folder", long / seconds, ""),
        Size(f"{what}: memory at most", much, "MB"),
        Size(f"{what}: memory, times as for {short:,}", much / little, "x", MOST_GROWTH),
    ]


async def _filled(folder: Path, count: int) -> None:
    store = SqliteStore(folder / "swallow.sqlite", clock=lambda: datetime.now(UTC))
    for first in range(0, count // _EACH, 100):
        trees = [tree for person in range(first, min(first + 100, count // _EACH)) for tree in _trees(person)]

        async def work(txn, trees=trees):
            for tree in trees:
                await txn.put(tree["resourceType"], tree["id"], json.dumps(tree).encode(), extract(tree))

        await store.write("soak", work)
    await store.close()


def _trees(person: int) -> list[dict]:
    subject = {"reference": f"Patient/p{person}"}
    head = {"status": "final", "code": {"text": "invented, HTEST"}, "subject": subject}
    return [
        {"resourceType": "Patient", "id": f"p{person}", "identifier": _named(f"p{person}")},
        *(
            {
                "resourceType": "Observation",
                "id": name,
                "identifier": _named(name),
                **head,
                "valueInteger": number,
            }
            for number in range(_EACH - 1)
            if (name := f"p{person}-{number}")
        ),
    ]


def _named(value: str) -> list[dict]:
    return [{"system": "https://htest.example.org/records", "value": value}]


async def drained(folder: Path) -> float:
    """Deliver everything there is; answers the seconds."""
    store = SqliteStore(folder / "swallow.sqlite", clock=lambda: datetime.now(UTC))
    out = folder / "out"
    one, known = Destination("out", "folder", str(out)), Destinations(store)
    begun = asyncio.get_running_loop().time()
    try:
        await known.add(one)
        now = partial(datetime.now, UTC)
        delivery = Delivery(store, known, lambda one: sender_for(one, store, Outgoing()), now, "a soak")
        await delivery.drain(one, 60)
    finally:
        await store.close()
    return asyncio.get_running_loop().time() - begun


def _measured(folder: Path, count: int) -> tuple[float, float]:
    """The seconds and the most memory in MB."""
    command = [sys.executable, "-c", _PROGRAM, str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:  # noqa: S603 - our own command
        told = running.stdout.read() if running.stdout else ""
        _, status, used = os.wait4(running.pid, 0)
        running.returncode = os.waitstatus_to_exitcode(status)
    files = len(list((folder / "out").iterdir()))
    if running.returncode or files != count // _EACH:
        raise RuntimeError(f"{files} files; the delivery ended with {running.returncode}")
    return float(told), used.ru_maxrss / 1_024

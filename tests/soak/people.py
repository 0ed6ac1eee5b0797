"""A store filled up with invented people, each a copy of one person's stored resources under other names."""

import re

from service.fhir.json import reread
from service.fhir.search_keys import extract
from service.store.contract import Store, Transaction, Version
from tests.bench.people import VISITS, Bench, uploads

__all__ = ["fill", "fill_people"]

_ID = re.compile(rb"([0-9a-f]{8}-(?:[0-9a-f]{4}-){3}[0-9a-f]{4})[0-9a-f]{8}")
_NUMBER = b"syn-00001"
_SHARED = {"Practitioner", "PractitionerRole", "Organization", "Location", "Device"}
"""Types of which everybody's resources name the same few."""
_FIRST = 10_000
"""Copies are numbered from here, clear of the people that are taken in."""


async def fill(place: Bench, resources: int) -> int:
    """Fill an empty store up to so many current resources; answers how many people that took."""
    pattern, shared = await _pattern(place, VISITS)
    copies = max(0, resources // len(pattern) - 1)
    for number in range(_FIRST, _FIRST + copies):
        await _copy(place.store, pattern, shared, number)
    return copies + 1


async def fill_people(place: Bench, people: int, visits: int) -> None:
    """Fill an empty store with so many people of so many visits each."""
    pattern, shared = await _pattern(place, visits)
    for number in range(_FIRST, _FIRST + people - 1):
        await _copy(place.store, pattern, shared, number)


async def _pattern(place: Bench, visits: int) -> tuple[list[Version], set[bytes]]:
    """What is stored of one person, taken in, and the ids of what everybody's resources name."""
    for upload in uploads(1)[:visits]:
        await place.accept(upload)
    everything = [one async for one in place.store.changes()]
    shared = {one.id.encode() for one in everything if one.type in _SHARED}
    return [one for one in everything if one.type not in _SHARED], shared


async def _copy(store: Store, pattern: list[Version], shared: set[bytes], number: int) -> None:
    def renamed(found: re.Match[bytes]) -> bytes:
        return found[0] if found[0] in shared else found[1] + b"%08x" % number

    async def work(txn: Transaction) -> None:
        for one in pattern:
            content = _ID.sub(renamed, one.content).replace(_NUMBER, b"syn-%05d" % number)
            id_ = _ID.sub(renamed, one.id.encode()).decode()
            await txn.put(one.type, id_, content, extract(reread(content)))

    await store.write("fill", work)

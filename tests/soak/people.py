"""Stores filled up with invented people: copies of stored resources under other names.

A store of a given size holds one person over and over. A panel holds people who differ: the demo's, with
more or fewer of their visits, goals begun on other days, and some who died.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.fhir.json import reread
from service.fhir.search_keys import extract
from service.operations.upload import Upload
from service.store.contract import Transaction, Version
from tests.bench.people import Bench, upload, uploads
from tests.invented_visits import visit_record

__all__ = ["COURSES", "fill", "fill_people"]

COURSES = (
    ("demo-01", (1, 5, 6)),
    ("demo-02", (1, 2)),
    ("demo-03", (1, 2)),
    ("demo-04", (1, 4, 5)),
    ("demo-05", (1, 5, 6)),
    ("demo-01", (1,)),
    ("demo-04", (1, 2)),
    ("demo-01", (1, 4, 5)),
    ("demo-05", (1, 2)),
    ("demo-03", (1,)),
)
"""Demo people and which of their visits are taken in, 2.1 in the mean."""
_ID = re.compile(rb"([0-9a-f]{8}-(?:[0-9a-f]{4}-){3}[0-9a-f]{4})[0-9a-f]{8}")
_START = re.compile(rb'"startDate":"([0-9-]{10})"')
_SHARED = {"Practitioner", "PractitionerRole", "Organization", "Location", "Device"}
"""Types of which everybody's resources name the same few."""
_FIRST = 10_000
"""Copies are numbered from here, clear of the people that are taken in."""
_AT_ONCE = 10
"""People a transaction: what is measured comes after the filling."""

Change = Callable[[int, str, bytes], bytes]
"""A copy's number, its type and text: the text it is stored with."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """What is stored of one person who was taken in under ``name``."""

    name: bytes
    resources: list[Version]
    shared: set[bytes]


async def fill(place: Bench, resources: int) -> int:
    """Fill an empty store up to so many current resources; answers how many people that took."""
    pattern = await _taken_in(place, 1, uploads(1))
    copies = max(0, resources // len(pattern.resources) - 1)
    await _copies(place, [pattern], copies, _unchanged)
    return copies + 1


async def fill_people(place: Bench, people: int) -> None:
    """Fill an empty store with so many people who differ."""
    patterns = [
        await _taken_in(place, number, [upload(visit_record(person, visit, number)) for visit in visits])
        for number, (person, visits) in enumerate(COURSES[:people], 1)
    ]
    await _copies(place, patterns, people - len(patterns), _another)


async def _taken_in(place: Bench, number: int, records: Sequence[Upload]) -> Pattern:
    """A person's records taken in; their resources, and the ids of what everybody's resources name."""
    before = max([one.sequence async for one in place.store.changes()], default=0)
    for record in records:
        await place.accept(record)
    shared = {one.id.encode() async for one in place.store.changes() if one.type in _SHARED}
    own = [one async for one in place.store.changes(before) if one.type not in _SHARED]
    return Pattern(b"syn-%05d" % number, own, shared)


async def _copies(place: Bench, patterns: Sequence[Pattern], copies: int, change: Change) -> None:
    """Write so many copies, of one pattern after the other."""
    for begin in range(0, copies, _AT_ONCE):

        async def work(txn: Transaction, begin: int = begin) -> None:
            for number in range(begin, min(begin + _AT_ONCE, copies)):
                await _copy(txn, patterns[number % len(patterns)], _FIRST + number, change)

        await place.store.write("fill", work)


async def _copy(txn: Transaction, pattern: Pattern, number: int, change: Change) -> None:
    def renamed(found: re.Match[bytes]) -> bytes:
        return found[0] if found[0] in pattern.shared else found[1] + b"%08x" % number

    for one in pattern.resources:
        content = _ID.sub(renamed, one.content).replace(pattern.name, b"syn-%05d" % number)
        content = change(number, one.type, content)
        id_ = _ID.sub(renamed, one.id.encode()).decode()
        await txn.put(one.type, id_, content, extract(reread(content)))


def _unchanged(_number: int, _type: str, content: bytes) -> bytes:
    return content


def _another(number: int, type_: str, content: bytes) -> bytes:
    """Somebody else: the goals begun up to two weeks earlier, and every seventh died in the autumn."""
    if type_ == "Goal":
        return _START.sub(lambda found: _earlier(found[1], 7 * (number % 3)), content)
    if type_ == "Patient" and number % 7 == 0:
        return content.removesuffix(b"}") + b',"deceasedDateTime":"2026-11-02"}'
    return content


def _earlier(day: bytes, days: int) -> bytes:
    moved = date.fromisoformat(day.decode("ascii")) - timedelta(days)
    return b'"startDate":"%s"' % moved.isoformat().encode("ascii")

"""The audit trail as rows: what is to be recorded, and the chains of hashes that the rows are written in.

Each process writes chains of its own, one row after the other. The hash of a row is the SHA-256 of the hash
before it in its chain (64 hexadecimal digits, none for the first) followed by the row's content, which names
chain and place in its id: a row that is changed, taken out or put in breaks its chain.
"""

import hashlib
import secrets
from collections.abc import AsyncGenerator, Awaitable, Callable, Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

import msgspec

from service.fhir.datetimes import instant, interval

__all__ = [
    "AUDIT",
    "OLDEST",
    "Audited",
    "Begun",
    "Chunk",
    "Event",
    "Head",
    "Target",
    "Targets",
    "Trail",
    "audited_of",
    "begun_behind",
    "by_chain",
    "chained",
    "every_target",
    "hash_of",
    "in_trail",
    "new_head",
    "targets_of",
]

AUDIT = "AuditEvent"
_CHAIN_BYTES = 8
_LAST_TEXT = "\U0010ffff"
_UTC = ZoneInfo("UTC")


class Event(NamedTuple):
    """What is to be recorded, with what it is searched by.

    ``agent`` is the reference of who acted and ``subject`` their name at the issuer of their token (or of the
    command), either may be empty. ``type`` and ``subtype`` are codes. ``targets`` are ``Type/id`` of what it
    is about, patients among them. ``body`` are the members of the AuditEvent, without braces, besides id,
    meta and recorded, which it gets when it is written.
    """

    type: str
    subtype: str
    action: str
    outcome: str
    agent: str
    subject: str
    targets: tuple[str, ...]
    body: str


class Audited(NamedTuple):
    """An Event as it was written: ``content`` is the AuditEvent, ``recorded`` UTC milliseconds."""

    chain: str
    place: int
    recorded: int
    type: str
    subtype: str
    action: str
    outcome: str
    agent: str
    subject: str
    hash: str
    content: str
    targets: tuple[str, ...] = ()
    """Not read back with a row; ``audited_of`` answers them."""

    @property
    def id(self) -> str:
        """The AuditEvent's id."""
        return f"{self.chain}-{self.place}"


Chunk = Callable[[tuple[int, str, int]], Awaitable[list[Audited]]]
"""Answers some rows behind a place: time, chain and place in the chain."""
OLDEST = (-1, "", 0)
"""The place in the trail before everything."""
Trail = AsyncGenerator[Audited, None]
"""Rows by time, chain and place; those of one chain in its order."""
Target = tuple[str, int, str, int]
"""What a row is found by: a ``Type/id`` it is about, with its time, chain and place in the chain."""
Targets = AsyncGenerator[Target, None]


class Head(NamedTuple):
    """Where a chain ends: place, time and hash of its last row, and those of its last that named others."""

    chain: str
    place: int = 0
    recorded: int = 0
    hash: str = ""
    linked_place: int = 0
    linked: int = 0


class Begun(NamedTuple):
    """The last row that was taken away from the beginning of a chain."""

    chain: str
    place: int
    recorded: int
    hash: str


def new_head() -> Head:
    """Begin a chain under a name that nobody has."""
    return Head(secrets.token_hex(_CHAIN_BYTES))


def chained(head: Head, events: Sequence[Event], now: int) -> tuple[list[Audited], Head]:
    """Answer the events as rows behind ``head``, and where the chain ends then.

    ``now`` are UTC milliseconds; a clock that steps back does not turn the order within a chain round.
    """
    recorded = max(now, head.recorded)
    moment = instant(recorded)
    said = f'"meta":{{"versionId":"1","lastUpdated":"{moment}"}},"recorded":"{moment}",'
    chain, place, last = head.chain, head.place, head.hash
    rows: list[Audited] = []
    for type_, subtype, action, outcome, agent, subject, targets, body in events:
        place += 1
        content = f'{{"resourceType":"AuditEvent","id":"{chain}-{place}",{said}{body}}}'
        last = hash_of(last, content)
        filed = (type_, subtype, action, outcome, agent, subject)
        rows.append(Audited(chain, place, recorded, *filed, last, content, targets))
    return rows, head._replace(place=place, recorded=recorded, hash=last)


def hash_of(before: str, content: str) -> str:
    """The hash of a row, after that of the row before it."""
    return hashlib.sha256((before + content).encode()).hexdigest()


def audited_of(content: str, hash_: str) -> Audited:
    """The row of an AuditEvent that was written here: whatever it is searched by stands in it.

    ValueError, KeyError or the like if it is none.
    """
    tree = msgspec.json.decode(content)
    chain, _, place = tree["id"].rpartition("-")
    agent = tree["agent"][0]
    named = [entity["what"].get("reference", "") for entity in tree.get("entity", ()) if "what" in entity]
    return Audited(
        chain,
        int(place),
        interval(tree["recorded"], _UTC)[0],
        tree["type"]["code"],
        tree["subtype"][0]["code"],
        tree["action"],
        tree["outcome"],
        agent.get("who", {}).get("reference", ""),
        agent.get("altId", ""),
        hash_,
        content,
        tuple(dict.fromkeys(one.partition("/_history/")[0] for one in named if one)),
    )


async def in_trail(chunk: Chunk, since: int = 0) -> Trail:
    """Answer the rows that ``chunk`` answers piece by piece, from a time (UTC milliseconds) on."""
    place = (since - 1, _LAST_TEXT, 0)
    while rows := await chunk(place):
        for row in rows:
            yield row
        place = (rows[-1].recorded, rows[-1].chain, rows[-1].place)


async def by_chain(chunk: Callable[[str, int], Awaitable[list[Audited]]]) -> Trail:
    """Answer the rows that ``chunk`` answers behind a chain's name and a place in it, piece by piece."""
    chain, place = "", 0
    while rows := await chunk(chain, place):
        for row in rows:
            yield row
        chain, place = rows[-1].chain, rows[-1].place


async def every_target(chunk: Callable[[Target], Awaitable[list[Target]]]) -> Targets:
    """Answer what ``chunk`` answers behind one of its rows, piece by piece."""
    last: Target = ("", 0, "", 0)
    while rows := await chunk(last):
        for row in rows:
            yield row
        last = rows[-1]


def begun_behind(rows: Sequence[Audited]) -> list[Begun]:
    """Where the chains of some rows, in their order, begin without them."""
    return list({row.chain: Begun(row.chain, row.place, row.recorded, row.hash) for row in rows}.values())


def targets_of(rows: Sequence[Audited]) -> list[Target]:
    """What the rows are found by: target, time, chain and place."""
    return [(target, row.recorded, row.chain, row.place) for row in rows for target in row.targets]

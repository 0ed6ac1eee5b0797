"""Whether the audit trail is as it was written: what was changed, taken out, put in or cut off.

Rows are gone through chain by chain: others may write meanwhile, and a chain grows at its end alone.

What can't be found: whoever may write the whole database can make the last rows of a chain anew, with their
hashes, as far back as no other chain names them, or make everything anew. Ends that were written down
elsewhere, by an earlier verification, show both.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from service.fhir.datetimes import LATEST, instant
from service.store.archive import Movable
from service.store.audit import Audited, Begun, Target, audited_of, hash_of, targets_of
from service.store.audit_links import Named, named_in

__all__ = ["Fault", "Verdict", "verify"]

_AT_ONCE = 100
"""Rows whose targets are held against what they name as one sum."""


class Fault(NamedTuple):
    """Something that is not as it was written, in words, and where: the AuditEvent's id, or its chain."""

    where: str
    what: str


class _Last(NamedTuple):
    place: int = 0
    hash: str = ""


@dataclass(slots=True)
class Verdict:
    """What a verification found; ``ends`` are where the chains end now.

    ``since`` is when the last row that was taken away was recorded (UTC milliseconds), 0 if none was.
    """

    rows: int = 0
    since: int = 0
    faults: list[Fault] = field(default_factory=list)
    _last: dict[str, _Last] = field(default_factory=dict)

    @property
    def ends(self) -> list[Named]:
        """Where each chain ends, by name."""
        return [Named(chain, *last) for chain, last in sorted(self._last.items())]

    def begin(self, begun: Iterable[Begun], named: "_Witnesses") -> None:
        """Before the first row: chains that lost their beginning go on behind the last row taken away."""
        for chain, place, recorded, hash_ in begun:
            self._last[chain] = _Last(place, hash_)
            self.since = max(self.since, recorded)
            if named.contradict(Named(chain, place, hash_)):
                self._blame(chain, f"it begins behind row {place}, which others name by another hash")
            if (later := named.ended_before(chain, place)) > recorded:
                told = f"it begins behind row {place}, noted as of {instant(recorded)}"
                self._blame(chain, f"{told}, but ended before that row at {instant(later)} still")

    def see(self, row: Audited, named: "_Witnesses", filed: "_Filed") -> None:
        """Hold a row against the one before it, its own content and whoever names it."""
        self.rows += 1
        last = self._last.get(row.chain, _Last())
        if row.place > last.place + 1:
            self._blame(row.chain, f"rows {last.place + 1} to {row.place - 1} are missing")
        elif row.place <= last.place:
            self._blame(row.id, "it does not stand in the order of its chain")
        elif hash_of(last.hash, row.content) != row.hash:
            self._blame(row.id, "it, or its hash or that of the row before it, was changed")
        told = _told(row)
        if told is None or told._replace(targets=()) != row._replace(targets=()):
            self._blame(row.id, "it is filed under something else than its content says")
        if told is not None:
            filed.see(told)
        if named.contradict(row):
            self._blame(row.id, "another chain, or what was noted of its end, names it by another hash")
        self._last[row.chain] = _Last(row.place, row.hash)

    def end(self, named: "_Witnesses", noted: Iterable[Named]) -> None:
        """After the last row: look for ends that are only named; ``noted`` are those of this moment."""
        for chain, place in named.furthest().items():
            end = self._last.get(chain, _Last()).place
            if place > end:
                self._blame(chain, f"it is cut off: row {place} is named, it ends with {end}")
        known = {one.chain: one.place for one in noted}
        for chain, last in self._last.items():
            if known.get(chain, 0) < last.place:
                self._blame(chain, f"it goes on behind row {known.get(chain, 0)}, the end that was noted")

    def end_of_targets(self, filed: "_Filed") -> None:
        """After everything that rows are found by."""
        for chain, first, last in filed.wrong():
            self._blame(chain, f"of rows {first} to {last} some are found by other targets than they name")

    def _blame(self, where: str, what: str) -> None:
        self.faults.append(Fault(where, what))


class _Witnesses:
    """By which hashes rows are named elsewhere."""

    def __init__(self, named: Iterable[Named]) -> None:
        self._hashes: dict[tuple[str, int], set[str]] = {}
        self._ends: dict[str, list[tuple[int, int]]] = {}
        self._note(named)

    def _note(self, named: Iterable[Named]) -> None:
        for one in named:
            self._hashes.setdefault((one.chain, one.place), set()).add(one.hash)

    def see(self, named: Sequence[Named], recorded: int) -> None:
        """Where chains ended at a time (UTC milliseconds), as a row of that time tells."""
        self._note(named)
        for one in named:
            self._ends.setdefault(one.chain, []).append((one.place, recorded))

    def ended_before(self, chain: str, place: int) -> int:
        """The last time at which a chain is known to have ended before a place, 0 if none is."""
        return max((time for end, time in self._ends.get(chain, ()) if end < place), default=0)

    def contradict(self, row: Audited | Named) -> bool:
        """Whether anything names this row by another hash."""
        return bool(self._hashes.get((row.chain, row.place), set()) - {row.hash})

    def furthest(self) -> dict[str, int]:
        """The last row that is named of each chain."""
        places: dict[str, int] = {}
        for chain, place in self._hashes:
            places[chain] = max(place, places.get(chain, 0))
        return places


class _Filed:
    """What the rows of the trail are found by, held against what they name: as sums for every few rows.

    Python's hashes have a key that is new in each process.
    """

    def __init__(self, ends: Iterable[Named]) -> None:
        """Rows behind these ends are being written, with what they are found by."""
        self._ends = {one.chain: one.place for one in ends}
        self._sums: Counter[tuple[str, int]] = Counter()

    def see(self, told: Audited) -> None:
        """The targets that the content of a row names."""
        for target in targets_of([told]):
            self.add(target, 1)

    def add(self, target: Target, sign: int) -> None:
        """A target that a row names, or with the sign -1, one that it is found by."""
        _, _, chain, place = target
        if place <= self._ends.get(chain, 0):
            self._sums[chain, (place - 1) // _AT_ONCE] += sign * hash(target)

    def wrong(self) -> list[tuple[str, int, int]]:
        """Chains, and the first and last of the rows among which some are not found by what they name."""
        found = sorted(key for key, sum_ in self._sums.items() if sum_)
        return [(chain, at * _AT_ONCE + 1, (at + 1) * _AT_ONCE) for chain, at in found]


async def verify(store: Movable, known: Iterable[Named] = ()) -> Verdict:
    """Go through the whole trail; others may go on writing.

    ``known`` are ends of chains that were written down elsewhere.
    """
    begun = await store.beginnings()
    ends = await store.ends()
    witnesses, filed, verdict = _Witnesses([*ends, *known]), _Filed(ends), Verdict()
    async for row in store.trail(LATEST, links=True):
        witnesses.see(_named(row), row.recorded)
    verdict.begin(begun, witnesses)
    async for row in store.chains():
        verdict.see(row, witnesses, filed)
    verdict.end(witnesses, await store.ends())
    async for target in store.targets():
        filed.add(target, -1)
    verdict.end_of_targets(filed)
    if await store.beginnings() != begun:  # rows were taken away meanwhile
        return await verify(store, known)
    return verdict


def _named(row: Audited) -> list[Named]:
    try:
        return named_in(row.content)
    except (ValueError, LookupError, TypeError):  # found as changed, when its turn comes
        return []


def _told(row: Audited) -> Audited | None:
    """The row as its content tells it, None if that can't be read."""
    try:
        return audited_of(row.content, row.hash)
    except (ValueError, LookupError, TypeError, AttributeError):
        return None

"""Whether the audit trail is as it was written: what was changed, taken out, put in or cut off.

What can't be found: whoever may write the whole database can make the last rows of a chain anew, with their
hashes, as far back as no other chain names them, or make everything anew. Ends that were written down
elsewhere, by an earlier verification, show both.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from service.fhir.datetimes import LATEST
from service.store.archive import Movable
from service.store.audit import Audited, audited_of, hash_of
from service.store.audit_links import Named, named_in

__all__ = ["Fault", "Verdict", "verify"]


class Fault(NamedTuple):
    """Something that is not as it was written, in words, and where: the AuditEvent's id, or its chain."""

    where: str
    what: str


class _Last(NamedTuple):
    place: int = 0
    hash: str = ""


@dataclass(slots=True)
class Verdict:
    """What a verification found; ``ends`` are where the chains end now."""

    rows: int = 0
    faults: list[Fault] = field(default_factory=list)
    _last: dict[str, _Last] = field(default_factory=dict)

    @property
    def ends(self) -> list[Named]:
        """Where each chain ends, by name."""
        return [Named(chain, *last) for chain, last in sorted(self._last.items())]

    def see(self, row: Audited, named: "_Witnesses") -> None:
        """Hold a row against the one before it, its own content and whoever names it."""
        self.rows += 1
        last = self._last.get(row.chain, _Last())
        if row.place > last.place + 1:
            self._blame(row.chain, f"rows {last.place + 1} to {row.place - 1} are missing")
        elif row.place <= last.place:
            self._blame(row.id, "it does not stand in the order of its chain")
        elif hash_of(last.hash, row.content) != row.hash:
            self._blame(row.id, "it, or its hash or that of the row before it, was changed")
        if not _is_filed_right(row):
            self._blame(row.id, "it is filed under something else than its content says")
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

    def _blame(self, where: str, what: str) -> None:
        self.faults.append(Fault(where, what))


class _Witnesses:
    """By which hashes rows are named elsewhere."""

    def __init__(self, named: Iterable[Named]) -> None:
        self._hashes: dict[tuple[str, int], set[str]] = {}
        for one in named:
            self._hashes.setdefault((one.chain, one.place), set()).add(one.hash)

    def contradict(self, row: Audited) -> bool:
        """Whether anything names this row by another hash."""
        return bool(self._hashes.get((row.chain, row.place), set()) - {row.hash})

    def furthest(self) -> dict[str, int]:
        """The last row that is named of each chain."""
        places: dict[str, int] = {}
        for chain, place in self._hashes:
            places[chain] = max(place, places.get(chain, 0))
        return places


async def verify(store: Movable, known: Iterable[Named] = ()) -> Verdict:
    """Go through the whole trail; others may go on writing.

    ``known`` are ends of chains that were written down elsewhere.
    """
    named = [*await store.ends(), *known]
    async for row in store.trail(LATEST, links=True):
        named += _named(row)
    witnesses = _Witnesses(named)
    verdict = Verdict()
    async for row in store.trail(LATEST):
        verdict.see(row, witnesses)
    verdict.end(witnesses, await store.ends())
    return verdict


def _named(row: Audited) -> list[Named]:
    try:
        return named_in(row.content)
    except (ValueError, LookupError, TypeError):  # found as changed, when its turn comes
        return []


def _is_filed_right(row: Audited) -> bool:
    try:
        return audited_of(row.content, row.hash)._replace(targets=()) == row._replace(targets=())
    except (ValueError, LookupError, TypeError, AttributeError):
        return False

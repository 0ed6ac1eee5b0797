"""What every store can do; ``sqlite.py`` is one, and one contract test suite runs on each.

Work that writes is a coroutine over a ``Transaction``. A store runs it inside one database transaction and
answers only when the commit is durable; if it raises, nothing of it is kept. On SQLite the coroutine never
really waits (the writer thread drives it), on a networked engine it does: the interactions are written once.
"""

from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol, TypeVar

from msgspec import Struct

from service.fhir.search_query import Condition, Sort
from service.fhir.search_values import SearchKeys
from service.store.audit import Event
from service.store.summaries import Seen, Summary, SummaryPage, SummaryQuery

__all__ = [
    "History",
    "Identified",
    "Label",
    "Page",
    "Query",
    "Settled",
    "States",
    "Store",
    "Transaction",
    "Version",
    "VisitKey",
    "Work",
]

T = TypeVar("T")


class Version(Struct, frozen=True, gc=False):
    """One version of one resource, as stored.

    ``sequence`` rises with every write of the store. ``last_updated`` is the FHIR instant text that is also
    ``meta.lastUpdated`` in ``content``. ``content`` is the exact JSON text (UTF-8), empty for a deletion.
    ``patient`` is the id of the one patient whom the resource is about as it is now, empty for none and for
    several; ``restricted`` tells that this patient has a Consent on file that may withhold something from
    others than research. ``labelled`` tells that this version bears a label that restricts who may see it
    (see ``fhir/confidentiality.py``), or that nobody has looked.
    """

    sequence: int
    type: str
    id: str
    version: int
    last_updated: str
    method: Literal["POST", "PUT", "DELETE"]
    content: bytes
    patient: str = ""
    restricted: bool = False
    labelled: bool = True

    @property
    def deleted(self) -> bool:
        """Whether this version is a deletion."""
        return self.method == "DELETE"

    @property
    def etag(self) -> str:
        """The weak entity tag, ``W/"3"``."""
        return f'W/"{self.version}"'


class Identified(NamedTuple):
    """Resources of a type with a business identifier."""

    type: str
    system: str
    value: str


class Label(NamedTuple):
    """A label in use: ``name`` is profile, security or tag; a profile has no system."""

    name: str
    system: str
    code: str


@dataclass(frozen=True, slots=True)
class Query:
    """A search: all clauses must hold (AND); within a clause any value may (OR).

    ``most_bytes``: the page ends before its texts are longer together; it has at least one.
    ``placed``: the page tells the position of each match. ``also`` names further types that may match.
    ``after`` is the opaque position of the last row of the page before, ``before`` that of the first row of
    the page behind (keyset, stable while others write); InvalidInput if it is not one of ours.
    """

    type: str
    clauses: tuple[Condition, ...] = ()
    sort: tuple[Sort, ...] = ()
    count: int = 50
    after: str = ""
    total: Literal["none", "accurate"] = "accurate"
    also: tuple[str, ...] = ()
    before: str = ""
    most_bytes: int | None = None
    placed: bool = False


@dataclass(frozen=True, slots=True)
class History:
    """Which versions a history lists, deletions included: those written last come first.

    Of ``types`` (all if empty), or of one resource: one type and its ``id``. ``since``: written at or after
    this moment; ``during``: the current version at some time in [low, high); both UTC milliseconds between
    the years 1970 and 9999. ``after`` is the opaque position of the last row of the page before.
    ``most_bytes``: the page ends before its texts are longer together; it has at least one.
    """

    types: tuple[str, ...] = ()
    id: str = ""
    since: int | None = None
    during: tuple[int, int] | None = None
    count: int = 50
    after: str = ""
    most_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Page:
    """One page of versions, the total of all pages if asked for, and where the pages beside it start.

    ``next_after`` is the position for ``Query.after``, ``previous_before`` that for ``Query.before``; None
    where there is no such page. ``places`` are the positions of the versions, if they were asked for.
    """

    versions: tuple[Version, ...]
    total: int | None
    next_after: str | None
    previous_before: str | None = None
    places: tuple[str, ...] = ()


class Settled(NamedTuple):
    """A moment between transactions: all that has a number up to ``sequence`` is there, and nothing torn.

    What is written later has higher numbers. ``last_updated`` is the newest instant of what is there, empty
    if there is nothing.
    """

    sequence: int
    last_updated: str


@dataclass(frozen=True, slots=True)
class States:
    """What resources were when ``as_of`` was settled, as far as it was written in (after, until].

    Of ``types`` (all if empty); ``since``: written later than this instant, as the store writes it.
    """

    after: int
    until: int
    as_of: int
    types: tuple[str, ...] = ()
    since: str = ""


@dataclass(frozen=True, slots=True)
class VisitKey:
    """What makes a visit record unique: its own identifier, and one record per patient and time.

    ``time`` is UTC, ISO 8601 text. ``patient`` is the stored Patient's id.
    """

    system: str
    value: str
    patient: str
    time: str


class Transaction(Protocol):
    """Reads and writes inside one database transaction."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """Answer the newest version (a deletion included), or None if the id was never used."""
        ...

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """Answer one version, or None if there is none of that number."""
        ...

    async def expect(self, names: Sequence[tuple[str, str]]) -> None:
        """These (type, id) will be read or put: whatever that needs to know is asked for all at once."""
        ...

    async def find(self, type_: str, system: str, value: str) -> list[Version]:
        """Answer the current versions that carry this business identifier, oldest first."""
        ...

    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        """Answer ``find`` of each, in their order."""
        ...

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        """Answer current versions of any type whose identifier of ``system`` starts with ``value_prefix``."""
        ...

    async def search(self, query: Query) -> Page:
        """Search as it stands inside this transaction."""
        ...

    async def referrers(self, type_: str, id_: str, limit: int) -> list[str]:
        """Answer ``Type/id`` of up to ``limit`` current resources with a reference key that names this one.

        The resource itself is left out. Where several processes write, what is answered must still hold at
        the commit: a resource written meanwhile that refers to this one makes one of the two fail.
        """
        ...

    async def put(
        self,
        type_: str,
        id_: str,
        content: bytes,
        keys: SearchKeys,
        *,
        method: Literal["POST", "PUT"] = "PUT",
    ) -> Version:
        """Write a new version. The store sets id, meta.versionId and meta.lastUpdated in ``content``.

        Every other character of the text is kept. lastUpdated rises strictly from version to version.
        ``method`` is what the history tells of the request.
        """
        ...

    async def delete(self, type_: str, id_: str) -> Version:
        """Write a deletion; reading then answers it, searching no longer does.

        Deleting twice answers the deletion there is. NotFound if the id was never used.
        """
        ...

    async def visit(self, system: str, value: str) -> VisitKey | None:
        """Answer the key under which this visit record was accepted before."""
        ...

    async def claim_visit(self, key: VisitKey) -> None:
        """Insert or update the key; Conflict if another record holds the same patient and time."""
        ...

    async def keep_summary(self, seen: Seen, summary: Summary | None) -> bool:
        """File a patient's row for lists in place of the one seen (None: take it away).

        What was noted then is forgotten. False, and nothing is filed, if another has filed a row since.
        """
        ...

    async def keep_subscriber(self, version: Version, asker: str, *, fresh: bool) -> None:
        """Keep who wrote this version of a Subscription (JSON); ``fresh`` if there was none of its id.

        Who that is says what they are told.
        """
        ...

    async def audit(self, events: Sequence[Event]) -> None:
        """Record events with this transaction: all of it is kept, or nothing."""
        ...


Work = Callable[[Transaction], Awaitable[T]]


class Store(Protocol):
    """Versions of resources, found by id, by business identifier and by search keys."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """Answer the newest version (a deletion included), or None if the id was never used."""
        ...

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """Answer one version, or None."""
        ...

    async def history(self, query: History) -> Page:
        """Answer one page of versions; the total of one resource alone, of more it costs too much."""
        ...

    async def search(self, query: Query) -> Page:
        """Search the committed state."""
        ...

    async def summaries(self, query: SummaryQuery) -> SummaryPage:
        """Answer one page of a list of patients, from the rows made for it."""
        ...

    async def behind(self, day: str, basis: str, count: int) -> list[str]:
        """Answer ids of some patients whose row for lists is missing or behind, or who are gone."""
        ...

    async def noted(self, count: int) -> list[str]:
        """Answer ids of some patients of whom a change is noted: quickly, however many are on file."""
        ...

    async def seen(self, patients: Sequence[str]) -> list[Seen]:
        """Answer what is there of these patients' rows; to be asked before what a row is made of is read."""
        ...

    async def labels(self, types: Sequence[str]) -> set[Label]:
        """Answer the profiles, security labels and tags of all current resources of these types."""
        ...

    async def write(self, name: str, work: Work[T]) -> T:
        """Run ``work`` in a transaction called ``name`` in logs; durable when this returns."""
        ...

    async def audit(self, events: Sequence[Event]) -> None:
        """Record events; durable when this returns, together with those of others at the same time."""
        ...

    async def audited(self, query: Query) -> Page:
        """Search the AuditEvents, newest first; they are found by this alone."""
        ...

    def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """Stream the newest version of everything written after a sequence number, in order."""
        ...

    async def settled(self) -> Settled:
        """Answer where the store stands between transactions; writers wait a moment for it at most."""
        ...

    async def states(self, query: States) -> list[Version]:
        """Answer a stretch of what was there then, deletions included, in the order it was written.

        A version that has been replaced since does not tell whose it is (``patient``).
        """
        ...

    async def close(self) -> None:
        """Finish what is queued and close."""
        ...

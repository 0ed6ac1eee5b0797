"""A transaction that keeps what is put in memory until it has to be written, the same on every engine.

An engine reads heads, numbers versions, and writes what waits in a few statements, whatever its size: before
anything is looked for, and at the end.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal
from zoneinfo import ZoneInfo

import msgspec
from msgspec.structs import replace

from service.errors import Conflict, NotFound
from service.fhir.confidentiality import is_labelled
from service.fhir.datetimes import instant, interval
from service.fhir.json import stamp
from service.fhir.search_parameters import is_owned
from service.fhir.search_values import SearchKeys
from service.store.archive import CHUNK, Kept
from service.store.audit import Audited, Event
from service.store.contract import Identified, Version
from service.store.entries import Entry, entered
from service.store.key_rows import Row, key_rows
from service.store.search_match import Statement
from service.store.subscriptions import keep

__all__ = ["Buffered", "Head", "Pending"]

_UTC = ZoneInfo("UTC")
_PATIENT = "Patient/"
_THROUGH = {"Provenance": "Provenance.target"}
"""Types that are about whom what they refer to is about."""


@dataclass(slots=True)
class Head:
    """The newest version of a resource as its transaction sees it; ``key`` is 0 if there never was one.

    ``filed`` are its rows in the search tables (JSON), ``stored`` tells whether it has a row in ``current``.
    ``keys`` are those of what was put, None if nothing was; ``owner`` follows from them.
    """

    version: Version | None = None
    key: int = 0
    updated: int = 0
    filed: str = "[]"
    stored: bool = False
    keys: SearchKeys | None = None
    owner: int = 0


@dataclass(slots=True)
class Pending:
    """Resources put, newest version each, and every version in between with the resource's key.

    ``touched`` are the patients that searches found any of them by, before or now, with the number of a
    version that changed it; known once the rows are filed.
    """

    heads: dict[tuple[str, str], Head] = field(default_factory=dict)
    versions: list[tuple[int, Version]] = field(default_factory=list)
    touched: dict[str, int] = field(default_factory=dict)

    def add(self, head: Head, version: Version) -> None:
        """Keep a version that was put; ``head`` shows it already."""
        self.heads[version.type, version.id] = head
        self.versions.append((head.key, version))

    def file(
        self, number: Callable[[str], int], fit: Callable[[Row], Row] | None = None
    ) -> tuple[set[Row], set[Row]]:
        """Answer the search rows that no longer hold and those that are new; the heads know theirs then.

        ``number`` answers the number of a word, ``fit`` a row that the engine can hold where it
        can't hold every.
        """
        old: set[Row] = set()
        new: set[Row] = set()
        for head in self.heads.values():
            head.owner, made = key_rows(head.keys or SearchKeys(), head.key, number)
            rows = dict.fromkeys(map(fit, made) if fit else made)
            self._touch(head, rows)
            if head.filed == "[]":
                new.update(rows)
            else:
                before = {tuple(row) for row in msgspec.json.decode(head.filed)}
                self._touch(head, before)
                old |= before - rows.keys()
                new |= rows.keys() - before
            head.filed = msgspec.json.encode(list(rows)).decode()
        return old, new

    def _touch(self, head: Head, rows: Iterable[Row]) -> None:
        """Note whom these rows of a resource are about; a Patient is also about itself."""
        if head.version is None:
            return
        targets = (row[1] for row in rows if row[0] == "reference")
        about = {target.removeprefix(_PATIENT) for target in targets if target.startswith(_PATIENT)}
        if head.version.type == "Patient":
            about.add(head.version.id)
        for patient in about:
            self.touched[patient] = max(head.version.sequence, self.touched.get(patient, 0))

    def current(self, *, stored: bool) -> Iterator[Row]:
        """The rows of ``current``, of resources that have one there or of new ones."""
        for (type_, id_), head in sorted(self.heads.items()):  # in one order, so that no two lock up
            version = head.version
            if head.stored is stored and version is not None:
                yield (
                    head.key,
                    type_,
                    id_,
                    head.owner,
                    version.sequence,
                    version.version,
                    head.updated,
                    version.deleted,
                    head.filed,
                )


class Buffered(ABC):
    """What the Transaction and the Archive of every engine have in common."""

    refuses_erased: ClassVar[bool] = True
    """Whether what is written about somebody who was erased is refused."""

    def __init__(self, now: Callable[[], int]) -> None:
        """``now`` answers UTC milliseconds."""
        self._now = now
        self._heads: dict[tuple[str, str], Head] = {}
        self._pending = Pending()
        self.events: list[Event] = []
        self._kept_events: list[Audited] = []

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract; they are written by whoever commits."""
        self.events += events

    @abstractmethod
    async def _write_audited(self, rows: Sequence[Audited]) -> None:
        """Write rows of the audit trail as they are."""

    @abstractmethod
    async def _asked(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """Answer the rows of a statement."""

    @abstractmethod
    async def expect(self, names: Sequence[tuple[str, str]]) -> None:
        """See the contract."""

    @abstractmethod
    async def _fetched(self, type_: str, id_: str) -> Head:
        """What the database knows of a resource."""

    @abstractmethod
    async def _sequence(self) -> int:
        """The next number of a version."""

    @abstractmethod
    async def _write(self, pending: Pending) -> None:
        """Write what waits."""

    @abstractmethod
    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        """See the contract."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return (await self._head(type_, id_)).version

    async def find(self, type_: str, system: str, value: str) -> list[Version]:
        """See the contract."""
        return (await self.find_all([Identified(type_, system, value)]))[0]

    async def put(
        self,
        type_: str,
        id_: str,
        content: bytes,
        keys: SearchKeys,
        *,
        method: Literal["POST", "PUT"] = "PUT",
    ) -> Version:
        """See the contract."""
        return await self._next(type_, id_, method, content, keys)

    async def delete(self, type_: str, id_: str) -> Version:
        """See the contract."""
        newest = await self.read(type_, id_)
        if newest is None:
            raise NotFound(f"There is no {type_}/{id_} to delete.")
        return newest if newest.deleted else await self._next(type_, id_, "DELETE", b"", SearchKeys())

    async def keep(self, kept: Kept, keys: SearchKeys) -> None:
        """See Archive."""
        one = replace(kept.version, labelled=is_labelled(kept.version.content))
        if one.version == 1:
            head = self._heads[one.type, one.id] = Head(key=one.sequence)
        else:
            head = await self._head(one.type, one.id)
            head.key = head.key or one.sequence  # its older versions may be kept elsewhere, or nowhere
        head.version, head.updated = one, interval(one.last_updated, _UTC)[0]
        head.keys = keys
        self._pending.add(head, one)
        await self._now_and_then()

    async def keep_audited(self, row: Audited) -> None:
        """See Archive."""
        self._kept_events.append(row)
        if len(self._kept_events) >= CHUNK:
            await self._flush()

    async def keep_entry(self, entry: Entry) -> None:
        """See Archive."""
        await self.ask(entered(entry, once=False))

    async def entomb(self, type_: str, id_: str) -> Version:
        """See Archive."""
        return await self._next(type_, id_, "DELETE", b"", SearchKeys())

    async def ask(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """See Asked; what waits is written first, and nothing that was read before is believed afterwards."""
        await self._flush()
        self._heads.clear()
        return await self._asked(statement)

    async def keep_subscriber(self, version: Version, asker: str, *, fresh: bool) -> None:
        """See the contract."""
        await keep(self, version.id, version.sequence, asker, fresh=fresh)

    async def refile(self, version: Version, keys: SearchKeys) -> None:
        """See Archive."""
        head = await self._head(version.type, version.id)
        head.keys = keys
        self._pending.heads[version.type, version.id] = head
        await self._now_and_then()

    async def _next(
        self, type_: str, id_: str, method: Literal["POST", "PUT", "DELETE"], content: bytes, keys: SearchKeys
    ) -> Version:
        head = await self._head(type_, id_)
        number = head.version.version + 1 if head.version else 1
        head.updated = max(self._now(), head.updated + 1)
        moment = instant(head.updated)
        if method != "DELETE":
            content = stamp(content, id_=id_, version=number, last_updated=moment)
        sequence = await self._sequence()
        head.key = head.key or sequence
        restricted = bool(head.version and head.version.restricted)
        head.version = Version(
            sequence,
            type_,
            id_,
            number,
            moment,
            method,
            content,
            keys.patient,
            restricted,
            is_labelled(content),
        )
        head.keys = keys
        self._pending.add(head, head.version)
        return head.version

    async def _head(self, type_: str, id_: str) -> Head:
        head = self._heads.get((type_, id_))
        if head is None:
            head = self._heads[type_, id_] = await self._fetched(type_, id_)
        return head

    async def _flush(self) -> None:
        if self._pending.heads:
            await self._find_owners()
            pending, self._pending = self._pending, Pending()
            await self._write(pending)
            for head in pending.heads.values():
                head.stored = True
        if self._kept_events:
            rows, self._kept_events = self._kept_events, []
            await self._write_audited(rows)

    async def _find_owners(self) -> None:
        """Say of what waits whom it is about, where that follows from what it refers to."""
        for (type_, _), head in self._pending.heads.items():
            if head.keys and (name := _THROUGH.get(type_)):
                targets = [key.target for key in head.keys.references if key.name == name]
                head.keys = head.keys._replace(patient=await self._common_patient(targets))

    async def _common_patient(self, targets: Sequence[str]) -> str:
        """The one patient whom all targets are about; empty for several, and where it is not known."""
        names = [(type_, id_) for type_, _, id_ in (one.partition("/") for one in targets) if is_owned(type_)]
        await self.expect(names)
        patients = {id_ if type_ == "Patient" else await self._about(type_, id_) for type_, id_ in names}
        return patients.pop() if len(patients) == 1 else ""

    async def _about(self, type_: str, id_: str) -> str:
        head = await self._head(type_, id_)
        if head.keys is not None:
            return head.keys.patient
        return head.version.patient if head.version else ""

    def _refuse_erased(self, found: Sequence[str]) -> None:
        """Refuse what is about these patients, who were erased."""
        if found and self.refuses_erased:
            raise Conflict(
                f"Patient/{found[0]} was erased on request; nothing about them is taken in under that id. "
                "Who comes back gets a new one."
            )

    async def _now_and_then(self) -> None:
        """Write what waits before it is much, and forget it."""
        if len(self._pending.heads) >= CHUNK:
            await self._flush()
            self._heads.clear()

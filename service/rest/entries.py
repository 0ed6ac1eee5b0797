"""Operations called by entries of a Bundle: each is answered as its own request would be."""

from collections.abc import AsyncIterator, Sequence
from typing import NoReturn
from urllib.parse import quote

from starlette.requests import Request
from starlette.types import Message, Receive, Scope

from service.errors import InvalidInput, Issue, IssueType, MethodNotAllowed, NotFound
from service.fhir.json import dump
from service.interactions.entry import Entry
from service.operations.arguments import definition
from service.rest.call import AN_ENTRY, WITHIN, Call
from service.rest.dispatch import OPEN, Row, Table, asked
from service.rest.negotiation import FHIR_JSON
from service.store.audit import Event
from service.store.contract import History, Page, Query, States, Store, Transaction, Version, Work
from service.store.summaries import SummaryQuery

__all__ = ["CalledByEntries"]

_KEPT = frozenset(
    (
        b"authorization",
        b"host",
        b"x-break-glass",
        b"x-forwarded-proto",
        b"x-forwarded-host",
        b"x-forwarded-prefix",
    )
)
"""Header fields of the Bundle's request that hold for its entries too."""
_AS_WRITTEN = "!$%&'()*+,-./:;=?@_|~"


class CalledByEntries:
    """The operations of the route table, for the entries of one Bundle."""

    def __init__(self, table: Table, call: Call) -> None:
        """``table`` has the operations' rows; ``call`` brought the Bundle."""
        self._table = table
        self._call = call

    def permit(self, entry: Entry, *, inside: bool) -> None:
        """Raise if there is no such operation, the caller may not call it, or it can't stand ``inside``."""
        row, request = self._found(entry, self._call.store)
        self._asked(row, request)
        if inside and definition(row.operation)["affectsState"]:
            text = (
                f"{entry.operation} changes what is stored, and the order of a transaction has no place for "
                "that; call it alone or in a batch."
            )
            raise InvalidInput(Issue(text, code=IssueType.NOT_SUPPORTED))

    async def answer(self, entry: Entry, source: Transaction | None) -> bytes:
        """Call it and answer the resource it answers."""
        store: Store = self._call.store if source is None else _Inside(source)
        row, request = self._found(entry, store)
        return bytes((await row.function(self._asked(row, request))).body)

    def _asked(self, row: Row, request: Request) -> Request | Call:
        return request if row.needs == OPEN else asked(row, request, self._call.principal)

    def _found(self, entry: Entry, store: Store) -> tuple[Row, Request]:
        """The row an entry calls, and the entry as a request."""
        path = entry.url.partition("?")[0]
        found = self._table.find(f"/fhir/{path}")
        if found is None:
            raise NotFound("There is no such operation; /fhir/metadata lists those there are.")
        address, values = found
        row = address.rows.get(entry.method)
        if row is None:
            raise MethodNotAllowed(f"{entry.operation} is called with {' or '.join(address.rows)} here.")
        scope: Scope = {
            **{name: self._call.request.scope[name] for name in ("type", "scheme", "server")},
            AN_ENTRY: True,
            WITHIN: store,
            "app": self._call.request.scope["app"],
            "method": entry.method,
            "path": f"/fhir/{path}",
            "path_params": values,
            "query_string": quote(entry.criteria or "", safe=_AS_WRITTEN).encode(),
            "headers": self._headers(entry),
        }
        return row, Request(scope, _body(entry))

    def _headers(self, entry: Entry) -> list[tuple[bytes, bytes]]:
        kept = [pair for pair in self._call.request.scope["headers"] if pair[0] in _KEPT]
        handling = "handling=lenient" if self._call.context.lenient else ""  # no answer comes later
        said = {b"content-type": FHIR_JSON, b"if-match": entry.if_match, b"prefer": handling}
        return kept + [(name, value.encode("latin-1", "replace")) for name, value in said.items() if value]


def _body(entry: Entry) -> Receive:
    body = b"" if entry.resource is None or entry.method != "POST" else dump(entry.resource)

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    return receive


class _Inside:
    """A transaction that is under way, as the store an operation reads from; it can't begin another."""

    def __init__(self, txn: Transaction) -> None:
        self._txn = txn

    async def read(self, type_: str, id_: str) -> Version | None:
        """As the transaction has it."""
        return await self._txn.read(type_, id_)

    async def search(self, query: Query) -> Page:
        """As the transaction has it."""
        return await self._txn.search(query)

    async def vread(self, type_: str, id_: str, version: int) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("reads versions other than the current ones")

    async def history(self, query: History) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("reads versions other than the current ones")

    async def summaries(self, query: SummaryQuery) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("is kept outside of transactions")

    async def behind(self, day: str, basis: str, count: int) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("is kept outside of transactions")

    async def noted(self, count: int) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("is kept outside of transactions")

    async def seen(self, patients: Sequence[str]) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("is kept outside of transactions")

    async def labels(self, types: Sequence[str]) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("looks at every resource there is")

    async def write(self, name: str, work: Work[object]) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("needs a transaction of its own")

    async def audit(self, events: Sequence[Event]) -> None:
        """As part of the transaction."""
        await self._txn.audit(events)

    async def audited(self, query: Query) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("is kept outside of transactions")

    def changes(self, after: int = 0) -> AsyncIterator[Version]:  # noqa: ARG002
        """Not there."""
        raise _refused("reads versions other than the current ones")

    async def settled(self) -> NoReturn:
        """Not there."""
        raise _refused("is kept outside of transactions")

    async def states(self, query: States) -> NoReturn:  # noqa: ARG002
        """Not there."""
        raise _refused("reads versions other than the current ones")

    async def close(self) -> None:
        """Nothing is to be closed."""


def _refused(why: str) -> InvalidInput:
    text = f"What this operation is asked for {why}, so it can't be part of a transaction."
    return InvalidInput(Issue(text, code=IssueType.NOT_SUPPORTED))

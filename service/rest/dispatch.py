"""From the route table to what answers: an address by its steps, its methods, who may use each."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from fastapi import APIRouter, Depends, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.errors import NotFound
from service.fhir.search_parameters import stored_types
from service.rest.call import Call, call_of, caller
from service.rest.described import secured
from service.rest.negotiation import FHIR_JSON, FHIR_XML, prefers_xml
from service.security.principal import Principal

__all__ = ["OPEN", "Address", "Row", "Table", "answered", "asked", "documented"]

OPEN = ("anybody",)
"""Stands as needs of an address that asks for no token."""
_NO_VALUE = frozenset({"", "$", "_"})
"""How no value begins: it is not empty, no operation ($meta), none of the standard's own words (_history)."""


def _nobody(_request: Request) -> None:
    """The caller is not known before their token is verified."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the route table.

    ``needs``: the caller's scopes must satisfy one of these; ``{type}`` stands for the type in the path.
    Without any, nobody may. OPEN asks for no token, and the function takes the bare request. ``produces`` is
    the answer's only media type, empty where FHIR JSON is negotiated. ``docs`` are FastAPI's arguments for
    a route documented in full, or members of an operation of the OpenAPI document for one that is not FHIR's.
    ``operation`` names the OperationDefinition of an operation's address. ``knows`` is asked first who a
    caller is, at an address that takes other tokens too.
    """

    method: str
    path: str
    function: Callable[..., Awaitable[Response]]
    needs: tuple[str, ...] = ()
    produces: str = ""
    docs: dict[str, Any] = field(default_factory=dict)
    operation: str = ""
    knows: Callable[[Request], Principal | None] = _nobody


@dataclass(frozen=True, slots=True)
class Address:
    """One address as the table writes it, and its rows by method; GET answers HEAD as well."""

    path: str
    rows: dict[str, Row] = field(default_factory=dict)

    def add(self, row: Row) -> None:
        """Take in a row of this address."""
        self.rows[row.method] = row
        if row.method == "GET":
            self.rows["HEAD"] = row

    def row(self, method: str) -> Row:
        """Answer the row of a method; HTTPException 405, which names those there are."""
        found = self.rows.get(method)
        if found is None and method == "OPTIONS":
            return Row("OPTIONS", self.path, self._options, OPEN)
        if found is None:
            raise HTTPException(405, headers={"Allow": ", ".join([*self.rows, "OPTIONS"])})
        return found

    async def _options(self, _request: Request) -> Response:
        """Tell the methods there are (RFC 9110 section 9.3.7)."""
        return Response(status_code=204, headers={"Allow": ", ".join([*self.rows, "OPTIONS"])})


@dataclass(slots=True)
class _Step:
    """What may follow in an address: words of the table, or any value; and the address that ends here."""

    words: "dict[str, _Step]" = field(default_factory=dict)
    value: "_Step | None" = None
    address: Address | None = None

    def after(self, part: str) -> "_Step":
        """The next step for a part of a row's path, made if it is new."""
        if part.startswith("{"):
            self.value = self.value or _Step()
            return self.value
        return self.words.setdefault(part, _Step())

    def settle(self) -> None:
        """Let each word that could be a value lead wherever values lead too, so that no way is a dead end."""
        for word, step in self.words.items():
            if self.value and word[:1] not in _NO_VALUE:
                step.take_in(self.value)
            step.settle()
        if self.value:
            self.value.settle()

    def take_in(self, other: "_Step") -> None:
        """Lead wherever ``other`` does; one's own ways go before."""
        self.address = self.address or other.address
        for word, step in other.words.items():
            self.words.setdefault(word, _Step()).take_in(step)
        if other.value:
            self.value = self.value or _Step()
            self.value.take_in(other.value)


class Table:
    """The route table, found in by the steps of an address."""

    def __init__(self, rows: list[Row]) -> None:
        """Take the rows; those of one address may stand anywhere."""
        self._first = _Step()
        self._names: dict[str, list[tuple[str, int]]] = {}
        for row in rows:
            self._add(row)
        self._first.settle()

    def _add(self, row: Row) -> None:
        parts = row.path.split("/")
        step = self._first
        for part in parts:
            step = step.after(part)
        step.address = step.address or Address(row.path)
        step.address.add(row)
        self._names[row.path] = [(part[1:-1], at) for at, part in enumerate(parts) if part.startswith("{")]

    def find(self, path: str) -> tuple[Address, dict[str, str]] | None:
        """Answer the address of a path and the values of its variables, or None if the table has none."""
        if "\0" in path:  # a value is text
            return None
        parts = path.split("/")
        step = self._first
        for part in parts:
            next_ = step.words.get(part) or (step.value if part[:1] not in _NO_VALUE else None)
            if next_ is None:
                return None
            step = next_
        if step.address is None:
            return None
        return step.address, {name: parts[at] for name, at in self._names[step.address.path]}


def documented(rows: list[Row]) -> APIRouter:
    """FastAPI routes, which its OpenAPI document describes; GET answers HEAD as well."""
    router = APIRouter()
    for row in rows:
        options = {**row.docs, "openapi_extra": row.docs.get("openapi_extra", {}) | secured(row.needs)}
        guards = [Depends(_guard(row))]
        router.add_api_route(row.path, row.function, methods=[row.method], dependencies=guards, **options)
        if row.method == "GET":
            options["include_in_schema"] = False
            router.add_api_route(row.path, row.function, methods=["HEAD"], dependencies=guards, **options)
    return router


def _guard(row: Row) -> Callable[[Request], Awaitable[None]]:
    async def guard(request: Request) -> None:
        request.state.call = asked(row, request, row.knows(request) or await caller(request))

    return guard


async def answered(row: Row, request: Request) -> Response:
    """Answer a request by its row, for a caller who may."""
    return await row.function(request if row.needs == OPEN else asked(row, request, await caller(request)))


def asked(row: Row, request: Request, principal: Principal) -> Call:
    """What the function of a guarded row is called with; raises what keeps the caller from it."""
    type_ = str(request.path_params.get("type", ""))
    if type_ and type_ not in stored_types():
        # before the scopes are asked, so that no text from an address gets into a sentence
        raise NotFound(
            "This service stores no such type of resource; /fhir/metadata lists the types it does."
        )
    produces = row.produces
    if type_ == "Binary" and not produces:  # any Accept will do; a read settles its format itself
        produces = FHIR_XML if prefers_xml(request) else FHIR_JSON
    return call_of(request, principal, _needs(row.needs, type_), produces)


@cache
def _needs(needs: tuple[str, ...], type_: str) -> tuple[str, ...]:
    return tuple(need.replace("{type}", type_) for need in needs)

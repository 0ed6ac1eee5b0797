"""From the route table to routes: one address, its methods, who may use each."""

import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from fastapi import APIRouter, Depends, Request
from starlette.convertors import Convertor, register_url_convertor
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import BaseRoute, Match, Route
from starlette.types import Receive, Scope, Send

from service.errors import NotFound
from service.fhir.search_parameters import stored_types
from service.rest.call import Call, call_of
from service.rest.described import secured
from service.rest.negotiation import FHIR_JSON, FHIR_XML, prefers_xml

__all__ = ["OPEN", "Row", "documented", "plain"]

OPEN: tuple[str, ...] = ()
_NAMES = re.compile(r"{(id|member|version)}")


class _Name(Convertor[str]):
    """What may stand where an id does: nothing that begins as operations and the standard's own words do."""

    regex = "[^/$_][^/]*"

    def convert(self, value: str) -> str:
        return value

    def to_string(self, value: str) -> str:
        return value


register_url_convertor("name", _Name())


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the route table.

    ``needs``: the caller's scopes must satisfy one of these; ``{type}`` stands for the type in the path. OPEN
    asks for no token, and the function takes the bare request. ``produces`` is the answer's only media type,
    empty where FHIR JSON is negotiated. ``docs`` are FastAPI's arguments for a route documented in full.
    ``operation`` names the OperationDefinition of an operation's address.
    """

    method: str
    path: str
    function: Callable[..., Awaitable[Response]]
    needs: tuple[str, ...]
    produces: str = ""
    docs: dict[str, Any] = field(default_factory=dict)
    operation: str = ""


def plain(rows: list[Row]) -> list[BaseRoute]:
    """Routes without ceremony: one per address, in the table's order (rows of one address stand together)."""
    return [_route(path, list(group)) for path, group in groupby(rows, key=lambda row: row.path)]


class _Route(Route):
    """A route that counts an address's steps before it compares them: most routes are passed by."""

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """See Route; no part of ours spans several steps."""
        if scope["path"].count("/") != self.path.count("/") and not scope.get("root_path"):
            return Match.NONE, {}
        return super().matches(scope)


def _route(path: str, rows: list[Row]) -> Route:
    route = _Route(_NAMES.sub(r"{\1:name}", path), _Methods(rows))
    route.path = path  # as the table has it, for the log
    return route


def documented(rows: list[Row]) -> APIRouter:
    """FastAPI routes, which its OpenAPI document describes."""
    router = APIRouter()
    for row in rows:
        router.add_api_route(
            row.path,
            row.function,
            methods=[row.method],
            dependencies=[Depends(_guard(row))],
            **{**row.docs, "openapi_extra": row.docs.get("openapi_extra", {}) | secured(row.needs)},
        )
    return router


def _guard(row: Row) -> Callable[[Request], Awaitable[None]]:
    async def guard(request: Request) -> None:
        request.state.call = _call(row, request)

    return guard


def _call(row: Row, request: Request) -> Call:
    type_ = str(request.path_params.get("type", ""))
    if type_ and type_ not in stored_types():
        # before the scopes are asked, so that no text from an address gets into a sentence
        raise NotFound(
            "This service stores no such type of resource; /fhir/metadata lists the types it does."
        )
    produces = row.produces
    if type_ == "Binary" and not produces:  # any Accept will do; a read settles its format itself
        produces = FHIR_XML if prefers_xml(request) else FHIR_JSON
    return call_of(request, tuple(needs.replace("{type}", type_) for needs in row.needs), produces)


class _Methods:
    """The ASGI application behind one address: picks the row of the request's method."""

    def __init__(self, rows: list[Row]) -> None:
        self._rows = {row.method: row for row in rows}
        if "GET" in self._rows:
            self._rows["HEAD"] = self._rows["GET"]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        row = self._rows.get(scope["method"])
        if row is None:
            raise HTTPException(405, headers={"Allow": ", ".join(self._rows)})
        request = Request(scope, receive)
        answer = await row.function(request if row.needs == OPEN else _call(row, request))
        await answer(scope, receive, send)

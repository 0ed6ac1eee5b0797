"""The front: FHIR addresses are answered from the route table at once, all others by the application."""

from starlette.requests import HTTPConnection, Request
from starlette.types import ASGIApp, Receive, Scope, Send

from service.errors import AddressTooLong, InvalidInput
from service.rest.dispatch import OPEN, Row, Table, answered
from service.rest.errors import HANDLED, error_answer
from service.security.audit import not_audited

__all__ = ["Front"]


class Front:
    """The ASGI application behind the request log: no ring stands between it and a FHIR address."""

    def __init__(self, rows: list[Row], others: ASGIApp, *, longest: int) -> None:
        """Answer ``rows``; ``others`` answers what the table does not have.

        An address of more than ``longest`` bytes is refused before anything reads it.
        """
        self._table = Table(rows)
        self._others = others
        self._longest = longest

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        try:
            self._measure(scope)
            found = self._table.find(scope["path"])
            if found is None:
                await self._others(scope, receive, send)
                return
            scope["route"], scope["path_params"] = found
            row = found[0].row(scope["method"])
            if row.needs == OPEN:
                not_audited(scope)
            answer = await answered(row, Request(scope, receive))
        except HANDLED as error:
            answer = error_answer(error, HTTPConnection(scope))
        await answer(scope, receive, send)

    def _measure(self, scope: Scope) -> None:
        if scope["path"][:1] != "/":  # as of OPTIONS *, which asks about no address (RFC 9110 section 9.3.7)
            raise InvalidInput("The address must begin with a slash.")
        if len(scope.get("raw_path") or scope["path"]) + len(scope["query_string"]) > self._longest:
            raise AddressTooLong(
                f"The address is longer than {self._longest} bytes; send the search as a form to '_search'."
            )

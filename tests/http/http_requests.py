"""Counting the requests an application answers against the AuditEvents it writes."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import msgspec
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.store.contract import Query, Store

OPEN = (
    "/health/",
    "/metrics",
    "/guide",
    "/fhir/metadata",
    "/fhir/$versions",
    "/fhir/.well-known/",
    "/.well-known/",
    "/oauth/authorize",
    "/oauth/jwks",
    "/openapi.json",
    "/cds-services",  # where it is off, as here
    "/app/style.css",
)
"""Addresses that hold nothing about anybody begin like this."""


class Answered:
    """The application, and by their ids the requests it answered that have to be recorded."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap ``app``."""
        self._app = app
        self._ids: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""

        async def noted(message: Message) -> None:
            if message["type"] == "http.response.start" and _is_recorded(scope, message["status"]):
                self._ids[dict(message["headers"])[b"x-request-id"].decode()] += 1
            await send(message)

        await self._app(scope, receive, noted)

    async def unrecorded(self, store: Store) -> Counter[str]:
        """The requests without an AuditEvent."""
        found: Counter[str] = Counter()
        query = Query("AuditEvent", count=1_000, total="none")
        after: str | None = ""
        while after is not None:
            page = await store.audited(replace(query, after=after))
            for version in page.versions:
                found.update(request_ids(msgspec.json.decode(version.content)))
            after = page.next_after
        return self._ids - found


def request_ids(event: dict) -> Iterator[str]:
    """The ids of the requests that an AuditEvent tells of."""
    for entity in event.get("entity", ()):
        if entity.get("type", {}).get("code") == "XrequestId":
            yield entity["what"]["identifier"]["value"]


def _is_recorded(scope: Scope, status: int) -> bool:
    path, method = scope["path"], scope["method"]
    if path.startswith("/app/login/") and status == 303:  # a sign-in begins, nobody is known yet
        return False
    is_open = path.startswith(OPEN) or (path, method) == ("/app/sign-in", "GET") or method == "OPTIONS"
    return not is_open and status not in {429, 503}  # floods are refused before anything is recorded

"""What who runs the service may ask it."""

from hmac import compare_digest
from typing import Annotated, Any

from fastapi import Depends
from starlette.requests import Request
from starlette.responses import Response

from service.errors import Unauthenticated
from service.rest.call import Call, bearer, current_call, is_private, services_of
from service.rest.described import answers
from service.rest.metrics import METRICS_TYPE
from service.security.audit import facts_of, note_caller
from service.security.principal import Principal
from service.security.scopes import OPERATE, Scopes

__all__ = ["METRICS_DOCS", "collector", "metrics"]

_COLLECTOR = Principal("metrics", "", Scopes.parse(OPERATE), fhir_user="", expires=0, client="metrics")

METRICS_DOCS: dict[str, Any] = {
    "tags": ["Operating"],
    "summary": "What this process counts of itself",
    "responses": answers({200: "The text form of Prometheus."}, "text/plain"),
}


async def metrics(call: Annotated[Call, Depends(current_call)]) -> Response:
    """Answer requests by route, method and status, how long they took, what is in work, and what waits.

    Each process counts for itself. Nothing is about anybody, so that asking is not recorded as an access.
    """
    facts = facts_of(call.request.scope)
    if facts is not None:
        facts.audited = False
    if call.services.backlog is not None:
        await call.services.backlog.look()
    return Response(call.services.metrics.text(), media_type=METRICS_TYPE)


def collector(request: Request) -> Principal | None:
    """Who collects by the token of the settings, which does not expire; None if the request has another.

    Unauthenticated where others may read it on its way: it comes from this machine, or by https.
    """
    services = services_of(request)
    expected = services.settings.metrics_token
    if not expected or not compare_digest(bearer(request).encode(), expected.encode()):
        return None
    if not is_private(request, services.settings):
        raise Unauthenticated("This token is taken from this machine or by https alone; make a new one.")
    note_caller(request.scope, _COLLECTOR, "")
    return _COLLECTOR

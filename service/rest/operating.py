"""What who runs the service may ask it."""

from typing import Annotated, Any

from fastapi import Depends
from starlette.responses import Response

from service.rest.call import Call, current_call
from service.rest.described import answers
from service.rest.metrics import METRICS_TYPE
from service.security.audit import facts_of

__all__ = ["METRICS_DOCS", "metrics"]

METRICS_DOCS: dict[str, Any] = {
    "tags": ["Operating"],
    "summary": "What this process counts of itself",
    "responses": answers({200: "The text form of Prometheus."}, "text/plain"),
}


async def metrics(call: Annotated[Call, Depends(current_call)]) -> Response:
    """Answer requests by route, method and status, how long they took, and what is in work.

    Each process counts for itself. Nothing is about anybody, so that asking is not recorded as an access.
    """
    facts = facts_of(call.request.scope)
    if facts is not None:
        facts.audited = False
    return Response(call.services.metrics.text(), media_type=METRICS_TYPE)

"""FHIR operations over HTTP (FHIR R4 operations.html), and their definitions."""

import re
from dataclasses import replace

from starlette.responses import Response

from service.errors import NotFound
from service.interactions.context import Action, Context
from service.operations.as_of import as_of_date
from service.operations.goal_attainment import goal_attainment
from service.operations.record_goal_attainment import record_goal_attainment
from service.rest.answers import answer
from service.rest.call import Call
from service.rest.negotiation import require_json
from service.settings import shipped
from service.terminology.codes import codes

__all__ = ["attainment", "definition", "record_attainment"]

_NAME = re.compile(r"[a-z]+(?:-[a-z]+)*")


async def attainment(call: Call) -> Response:
    """Compute where each goal of a person stands as of a date; nothing is stored."""
    context = call.context
    body = await goal_attainment(
        call.services.store,
        call.path("id"),
        as_of_date(call.criteria, await _parameters(call), context=context),
        context=context,
        codes=codes(call.services.settings.snomed),
    )
    return answer(call, body)


async def record_attainment(call: Call) -> Response:
    """Compute goal attainment as of a date and keep the results as Observations with their Provenance."""
    context = _may_record(call.context)
    body = await record_goal_attainment(
        call.services.store,
        call.path("id"),
        as_of_date(call.criteria, await _parameters(call), context=context),
        context=context,
        codes=codes(call.services.settings.snomed),
    )
    return answer(call, body)


async def definition(call: Call) -> Response:
    """Read the OperationDefinition of one of this service's operations."""
    name = call.path("id")
    file = shipped("mappings", "operations", f"{name}.json")
    if not _NAME.fullmatch(name) or not file.is_file():
        raise NotFound("There is no operation of that name; /fhir/metadata lists the ones there are.")
    return answer(call, file.read_bytes())


async def _parameters(call: Call) -> bytes:
    """The body of a POST; one without a body needs no Content-Type."""
    body = await call.body()
    if body:
        require_json(call.request)
    return body


def _may_record(context: Context) -> Context:
    """The right to record results, which the route asked for, lets create what they are kept in."""

    def allow(action: Action, type_: str) -> None:
        if action != "c":
            context.allow(action, type_)

    return replace(context, allow=allow)

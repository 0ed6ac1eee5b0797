"""FHIR operations over HTTP (FHIR R4 operations.html), and their definitions."""

from collections.abc import Awaitable, Callable
from dataclasses import replace

from starlette.requests import Request
from starlette.responses import Response

from service.fhir.json import dump
from service.interactions import read as reads
from service.interactions.context import Action, Context
from service.operations.arguments import Arguments, arguments, definitions
from service.operations.as_of import as_of_date
from service.operations.goal_attainment import goal_attainment
from service.operations.labels import add_labels, read_labels, take_labels
from service.operations.record_goal_attainment import record_goal_attainment
from service.rest.answers import answer, resource, stored
from service.rest.call import Call, open_call
from service.rest.negotiation import FHIR_JSON, FHIR_VERSION, is_xml
from service.settings import shipped
from service.terminology.codes import codes

__all__ = ["attainment", "definition", "meta", "meta_add", "meta_delete", "record_attainment", "versions"]


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


async def meta(call: Call) -> Response:
    """Answer the profiles, security labels and tags of a resource."""
    _given(call, "meta", await _parameters(call))
    return answer(
        call, await read_labels(call.services.store, call.path("type"), call.path("id"), context=call.context)
    )


async def meta_add(call: Call) -> Response:
    """Add profiles, security labels and tags to a resource."""
    return await _change_labels(call, "meta-add", add_labels)


async def meta_delete(call: Call) -> Response:
    """Take profiles, security labels and tags from a resource."""
    return await _change_labels(call, "meta-delete", take_labels)


async def versions(request: Request) -> Response:
    """Answer which versions of FHIR are spoken: Parameters, or a plain object for a plain JSON client."""
    call = open_call(request)
    if call.media_type.startswith(FHIR_JSON) or is_xml(call.media_type):
        spoken = {"name": "version", "valueCode": FHIR_VERSION}
        default = {"name": "default", "valueCode": FHIR_VERSION}
        return resource(call, {"resourceType": "Parameters", "parameter": [spoken, default]})
    return answer(call, dump({"versions": [FHIR_VERSION], "default": FHIR_VERSION}))


async def definition(call: Call) -> Response:
    """Read the OperationDefinition of one of this service's operations, or one that is stored."""
    name = call.path("id")
    if name not in definitions():
        store = call.services.store
        return stored(call, await reads.read(store, "OperationDefinition", name, context=call.context))
    return answer(call, shipped("mappings", "operations", f"{name}.json").read_bytes())


def _given(call: Call, name: str, body: bytes) -> Arguments:
    return arguments(name, call.criteria, body, max_depth=call.services.settings.max_depth)


async def _change_labels(call: Call, name: str, change: Callable[..., Awaitable[bytes]]) -> Response:
    (labels,) = _given(call, name, await _parameters(call))["meta"]
    store, type_, id_ = call.services.store, call.path("type"), call.path("id")
    if_match = call.header("if-match") or None
    return answer(call, await change(store, type_, id_, labels, if_match=if_match, context=call.context))


async def _parameters(call: Call) -> bytes:
    """The body of a POST; one without a body needs no Content-Type."""
    return await call.resource_body(optional=True)


def _may_record(context: Context) -> Context:
    """The right to record results, which the route asked for, lets create what they are kept in."""

    def allow(action: Action, type_: str) -> None:
        if action != "c":
            context.allow(action, type_)

    return replace(context, allow=allow)

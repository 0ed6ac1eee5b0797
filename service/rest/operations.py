"""FHIR operations over HTTP (FHIR R4 operations.html), and their definitions."""

from collections.abc import Awaitable, Callable
from dataclasses import replace

from starlette.requests import Request
from starlette.responses import Response

from service.fhir.json import dump
from service.fhir.search_parameters import stored_types
from service.interactions.context import Action, Context
from service.operations.arguments import Arguments, arguments, primitives
from service.operations.as_of import as_of_date
from service.operations.evaluate_measure import evaluate_measure
from service.operations.everything import everything
from service.operations.goal_attainment import goal_attainment
from service.operations.labels import add_labels, labels_in_use, read_labels, take_labels
from service.operations.lastn import lastn
from service.operations.record_goal_attainment import record_goal_attainment
from service.operations.signed_changes import answer_of, signed_changes
from service.operations.validate import validate as validated
from service.rest.answers import answer, resource
from service.rest.call import Call, open_call
from service.rest.negotiation import FHIR_JSON, FHIR_VERSION, body_is_xml, is_xml
from service.terminology.codes import codes

__all__ = [
    "attainment",
    "encounter_everything",
    "evaluate",
    "last_observations",
    "meta",
    "meta_add",
    "meta_delete",
    "meta_in_use",
    "patient_everything",
    "record_attainment",
    "validate",
    "versions",
    "visit_changes",
]


async def attainment(call: Call) -> Response:
    """Compute where each goal of a person stands as of a date; nothing is stored."""
    context = call.context
    body = await goal_attainment(
        call.store,
        call.path("id"),
        as_of_date(call.criteria, await _parameters(call), context=context),
        context=context,
        codes=codes(call.services.settings.snomed),
    )
    return await answer(call, body)


async def record_attainment(call: Call) -> Response:
    """Compute goal attainment as of a date and keep the results as Observations with their Provenance."""
    context = _may_record(call.context)
    body = await record_goal_attainment(
        call.store,
        call.path("id"),
        as_of_date(call.criteria, await _parameters(call), context=context),
        context=context,
        codes=codes(call.services.settings.snomed),
    )
    return await answer(call, body)


async def evaluate(call: Call) -> Response:
    """Count how many people attained their goals in a period; nothing is stored."""
    body = await evaluate_measure(
        call.store,
        str(call.request.path_params.get("id", "")),
        _given(call, "evaluate-measure", await _parameters(call)),
        seconds=call.services.settings.measure_seconds,
        context=call.context,
        codes=codes(call.services.settings.snomed),
        smallest=call.services.settings.smallest_cell,
    )
    return await answer(call, body)


async def patient_everything(call: Call) -> Response:
    """Answer the patient, everything in the patient's compartment, and what that refers to."""
    return await _everything(call, "Patient")


async def encounter_everything(call: Call) -> Response:
    """Answer the encounter, everything in its compartment, and what that refers to."""
    return await _everything(call, "Encounter")


async def visit_changes(call: Call) -> Response:
    """Answer what an amendment changed of a visit's record since it was signed."""
    _given(call, "signed-changes", await _parameters(call))
    return await answer(
        call, answer_of(await signed_changes(call.store, call.path("id"), context=call.context))
    )


async def last_observations(call: Call) -> Response:
    """Answer the newest Observations of each code that a search finds."""
    criteria = [*call.criteria, *primitives(await _parameters(call), call.services.settings.max_depth)]
    given = arguments("lastn", [pair for pair in criteria if pair[0] == "max"])
    search = [pair for pair in criteria if pair[0] != "max"]
    count = int(given.get("max", ["1"])[0])
    address = f"{call.base}/Observation/$lastn"
    return await answer(call, await lastn(call.store, search, count, address=address, context=call.context))


async def meta(call: Call) -> Response:
    """Answer the profiles, security labels and tags of a resource."""
    _given(call, "meta", await _parameters(call))
    return await answer(
        call, await read_labels(call.store, call.path("type"), call.path("id"), context=call.context)
    )


async def meta_in_use(call: Call) -> Response:
    """Answer the profiles, security labels and tags in use, of a type or of every type."""
    _given(call, "meta", await _parameters(call))
    type_ = str(call.request.path_params.get("type", ""))
    types = (type_,) if type_ else stored_types()
    return await answer(call, await labels_in_use(call.store, types, context=call.context))


async def meta_add(call: Call) -> Response:
    """Add profiles, security labels and tags to a resource."""
    return await _change_labels(call, "meta-add", add_labels)


async def meta_delete(call: Call) -> Response:
    """Take profiles, security labels and tags from a resource."""
    return await _change_labels(call, "meta-delete", take_labels)


async def validate(call: Call) -> Response:
    """Answer what is wrong with a resource, and whether it could be written; nothing is stored."""
    body = await call.body()
    outcome = await validated(
        call.store,
        call.path("type"),
        call.request.path_params.get("id", ""),
        call.criteria,
        body,
        is_xml=bool(body) and body_is_xml(call.request),
        as_sent=call.as_sent,
        if_match=call.header("if-match") or None,
        context=call.context,
    )
    return await answer(call, outcome)


async def versions(request: Request) -> Response:
    """Answer which versions of FHIR are spoken: Parameters, or a plain object for a plain JSON client."""
    call = open_call(request)
    if call.media_type.startswith(FHIR_JSON) or is_xml(call.media_type):
        spoken = {"name": "version", "valueCode": FHIR_VERSION}
        default = {"name": "default", "valueCode": FHIR_VERSION}
        return await resource(call, {"resourceType": "Parameters", "parameter": [spoken, default]})
    return await answer(call, dump({"versions": [FHIR_VERSION], "default": FHIR_VERSION}))


async def _everything(call: Call, type_: str) -> Response:
    id_ = call.path("id")
    given = _given(call, f"{type_.lower()}-everything", await _parameters(call))
    address = f"{call.base}/{type_}/{id_}/$everything"
    body = await everything(call.store, type_, id_, given, address=address, context=call.context)
    return await answer(call, body)


def _given(call: Call, name: str, body: bytes) -> Arguments:
    return arguments(name, call.criteria, body, max_depth=call.services.settings.max_depth)


async def _change_labels(call: Call, name: str, change: Callable[..., Awaitable[bytes]]) -> Response:
    call.context.allow("u", call.path("type"))
    (labels,) = _given(call, name, await _parameters(call))["meta"]
    store, type_, id_ = call.store, call.path("type"), call.path("id")
    if_match = call.header("if-match") or None
    return await answer(
        call, await change(store, type_, id_, labels, if_match=if_match, context=call.context)
    )


async def _parameters(call: Call) -> bytes:
    """The body of a POST; one without a body needs no Content-Type."""
    return await call.resource_body(optional=True)


def _may_record(context: Context) -> Context:
    """The right to record results, which the route asked for, lets create what they are kept in.

    What the service writes itself is refused if it is not valid, whatever the site asks for.
    """

    def allow(action: Action, type_: str) -> None:
        if action != "c":
            context.allow(action, type_)

    return replace(context, allow=allow, warn_only=False)

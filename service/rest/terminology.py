"""The terminology operations over HTTP (FHIR R4 terminology-service.html)."""

from starlette.responses import Response

from service.interactions.terms import Terms
from service.operations.arguments import Arguments, arguments
from service.operations.expand import expand
from service.operations.lookup import lookup, subsumes
from service.operations.translate import translate
from service.operations.validate_code import validate_in_code_system, validate_in_value_set
from service.rest.answers import answer
from service.rest.call import Call

__all__ = [
    "code_system_has",
    "code_system_lookup",
    "code_system_subsumes",
    "concept_map_translate",
    "value_set_expand",
    "value_set_has",
]


async def value_set_expand(call: Call) -> Response:
    """List the codes of a value set."""
    given = await _given(call, "valueset-expand")
    return await answer(call, await expand(_terms(call), given, _id(call), context=call.context))


async def value_set_has(call: Call) -> Response:
    """Say whether a code is in a value set."""
    given = await _given(call, "valueset-validate-code")
    return await answer(call, await validate_in_value_set(_terms(call), given, _id(call)))


async def code_system_has(call: Call) -> Response:
    """Say whether a code is of a code system."""
    given = await _given(call, "codesystem-validate-code")
    return await answer(call, await validate_in_code_system(_terms(call), given, _id(call)))


async def code_system_lookup(call: Call) -> Response:
    """Answer what is known of a code."""
    return await answer(call, await lookup(_terms(call), await _given(call, "codesystem-lookup")))


async def code_system_subsumes(call: Call) -> Response:
    """Say how two codes of one system stand to each other."""
    given = await _given(call, "codesystem-subsumes")
    return await answer(call, await subsumes(_terms(call), given, _id(call)))


async def concept_map_translate(call: Call) -> Response:
    """Answer what a code is in other code systems."""
    given = await _given(call, "conceptmap-translate")
    return await answer(call, await translate(_terms(call), given, _id(call)))


def _terms(call: Call) -> Terms:
    return Terms(call.store, call.context)


def _id(call: Call) -> str:
    """The id in the address; empty where the operation was called on the type."""
    return str(call.request.path_params.get("id", ""))


async def _given(call: Call, name: str) -> Arguments:
    body = await call.resource_body(optional=True)
    return arguments(name, call.criteria, body, max_depth=call.services.settings.max_depth)

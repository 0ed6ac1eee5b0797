"""The pages of the guide: open to everybody, as they hold nothing about anybody."""

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.errors import NotFound
from service.fhir.canonical import profile
from service.fhir.guide_package import FILE_NAME, guide_package
from service.fhir.json import dump
from service.fhir.topics import topics
from service.fhir.validation.profiles.base_types import own_profiles
from service.page import guide
from service.page.guard import Guard
from service.page.guide_messages import messages
from service.page.rendering import html

__all__ = ["guide_routes"]


def guide_routes(guard: Guard) -> list[Route]:
    """Every route under /guide, ready for the application's router."""
    table = (
        ("/guide", _index),
        ("/guide/codes", _codes),
        ("/guide/errors", _errors),
        ("/guide/hl7v2", _messages),
        ("/guide/value-sets/{id}", _value_set),
        ("/guide/package.tgz", _package),
        ("/guide/examples/{id}.json", _example),
        ("/guide/{id}.json", _source),
        ("/guide/{id}", _definition),
    )
    return [
        Route(path, guard.around(answer, audited=False), methods=["GET"], include_in_schema=False)
        for path, answer in table
    ]


async def _index(_request: Request) -> Response:
    profiles, extensions = guide.parts(extensions=False), guide.parts(extensions=True)
    return html(
        "guide.html",
        profiles=profiles,
        extensions=extensions,
        topics=topics(),
        sets=guide.value_sets(),
        package=FILE_NAME,
    )


async def _definition(request: Request) -> Response:
    definition = _found(request)
    rows, example = guide.element_rows(definition), guide.example(str(definition["id"]))
    return html("guide_definition.html", one=definition, rows=rows, example=example, own=guide.own_value_set)


async def _example(request: Request) -> Response:
    text = guide.example(str(_found(request)["id"]))
    if not text:
        raise NotFound("The invented visits have no example of this.")
    return Response(text, media_type="application/fhir+json")


async def _source(request: Request) -> Response:
    return Response(dump(_found(request)), media_type="application/fhir+json")


async def _codes(_request: Request) -> Response:
    return html("guide_codes.html", systems=guide.code_rows(), marks=guide.MARKS)


async def _value_set(request: Request) -> Response:
    found = guide.value_set(request.path_params["id"])
    if found is None:
        raise NotFound("The guide has no value set of this name.")
    return html("guide_value_set.html", one=found[0], members=found[1])


async def _errors(_request: Request) -> Response:
    return html("guide_errors.html", rows=guide.error_rows())


async def _messages(_request: Request) -> Response:
    return html("guide_messages.html", told=messages())


async def _package(_request: Request) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{FILE_NAME}"'}
    return Response(guide_package(), media_type="application/gzip", headers=headers)


def _found(request: Request) -> dict[str, object]:
    definition = own_profiles().get(profile(request.path_params["id"]))
    if definition is None:
        raise NotFound("The guide has no definition of this name.")
    return definition

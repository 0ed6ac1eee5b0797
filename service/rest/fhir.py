"""FHIR's RESTful interactions over HTTP: each function is one row of the route table (FHIR R4 http.html)."""

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import replace
from urllib.parse import urlencode

from starlette.responses import Response

from service.errors import InvalidInput
from service.fhir.json import parse
from service.fhir.patch import PATCH_FORMATS
from service.interactions import history as histories
from service.interactions import patch as patches
from service.interactions import read as reads
from service.interactions import search as searches
from service.interactions import transaction, write
from service.interactions.context import Context
from service.interactions.origin import judged
from service.rest.accesses import note_bundle, note_form
from service.rest.answers import answer, stored, version_headers, written
from service.rest.binary import answer_file, is_file, wrapped
from service.rest.call import ABOUT_THE_ANSWER, Call, pairs_of
from service.rest.dispatch import Row, Table
from service.rest.entries import CalledByEntries
from service.rest.negotiation import content_type, format_type
from service.store.contract import Version

__all__ = [
    "bundler",
    "create",
    "delete",
    "delete_matching",
    "history",
    "history_of_everything",
    "history_of_type",
    "patch",
    "patch_matching",
    "read",
    "search",
    "search_by_form",
    "search_compartment",
    "search_compartment_by_form",
    "search_everything",
    "search_everything_by_form",
    "update",
    "update_matching",
    "vread",
]

_FORM = "application/x-www-form-urlencoded"


async def read(call: Call) -> Response:
    """Read the current version of a resource."""
    version = await reads.read(call.store, call.path("type"), call.path("id"), context=call)
    return await _stored(call, version)


async def vread(call: Call) -> Response:
    """Read one version of a resource."""
    type_, id_, number = call.path("type"), call.path("id"), call.path("version")
    return await _stored(call, await reads.vread(call.store, type_, id_, number, context=call.context))


async def history(call: Call) -> Response:
    """List the versions of a resource, newest first."""
    return await _history(call, type_=call.path("type"), id_=call.path("id"))


async def history_of_type(call: Call) -> Response:
    """List the versions of every resource of a type, newest first."""
    return await _history(call, type_=call.path("type"))


async def history_of_everything(call: Call) -> Response:
    """List the versions of everything the caller may read, newest first."""
    return await _history(call)


async def search(call: Call) -> Response:
    """Search resources of one type."""
    return await _search(call, call.criteria)


async def search_by_form(call: Call) -> Response:
    """Search resources of one type; parameters of the form and of the address hold together."""
    return await _search(*await _form(call))


async def search_everything(call: Call) -> Response:
    """Search several types at once."""
    return await _search_everything(call, call.criteria)


async def search_everything_by_form(call: Call) -> Response:
    """Search several types at once; parameters of the form and of the address hold together."""
    return await _search_everything(*await _form(call))


async def search_compartment(call: Call) -> Response:
    """Search what belongs to a patient, encounter, practitioner, related person or device."""
    return await _search_compartment(call, call.criteria)


async def search_compartment_by_form(call: Call) -> Response:
    """Search what belongs to a patient or the like; form and address hold together."""
    return await _search_compartment(*await _form(call))


async def _form(call: Call) -> tuple[Call, list[tuple[str, str]]]:
    """The parameters of the address and those of the form in the body; an empty body may be of no type.

    ``_format`` in the form settles the answer as it does in the address.
    """
    body = await call.body()
    if body or call.header("content-type"):
        content_type(call.request, (_FORM,))
    try:
        form = pairs_of(body, most=1_000)
        note_form(call.request.scope, body)
    except ValueError:
        raise InvalidInput("The form can't be read as UTF-8 parameters.") from None
    if format_ := dict(form).get("_format"):
        call = replace(call, media_type=format_type(format_))
    return call, call.criteria + [pair for pair in form if pair[0] not in ABOUT_THE_ANSWER]


async def create(call: Call) -> Response:
    """Create a resource under an id the service assigns; ``If-None-Exist`` makes it conditional."""
    applied = await write.create(
        call.store,
        call.path("type"),
        await _resource(call),
        context=_writing(call),
        if_none_exist=call.header("if-none-exist") or None,
    )
    return await _answer(call, applied)


async def update(call: Call) -> Response:
    """Write the next version of a resource, or its first under this id; ``If-Match`` guards against races."""
    applied = await write.update(
        call.store,
        call.path("type"),
        call.path("id"),
        await _resource(call, call.path("id")),
        context=_writing(call),
        if_match=call.header("if-match") or None,
        if_none_match=call.header("if-none-match") or None,
    )
    return await _answer(call, applied)


async def update_matching(call: Call) -> Response:
    """Update the one resource that matches the search in the address, or create it."""
    applied = await write.update_matching(
        call.store,
        call.path("type"),
        urlencode(call.criteria),
        await call.resource_body(),
        context=_writing(call),
        if_match=call.header("if-match") or None,
    )
    return await _answer(call, applied)


async def patch(call: Call) -> Response:
    """Change parts of a resource: JSON Patch, XML Patch, or FHIRPath Patch as Parameters."""
    return await _patch(call, f"{call.path('type')}/{call.path('id')}")


async def patch_matching(call: Call) -> Response:
    """Change parts of the one resource that matches the search in the address."""
    return await _patch(call, f"{call.path('type')}?{urlencode(call.criteria)}")


async def delete(call: Call) -> Response:
    """Delete a resource; its versions stay readable in its history."""
    applied = await write.delete(
        call.store,
        call.path("type"),
        call.path("id"),
        context=_writing(call),
        if_match=call.header("if-match") or None,
    )
    return await _answer(call, applied)


async def delete_matching(call: Call) -> Response:
    """Delete the one resource that matches the search in the address."""
    applied = await write.delete_matching(
        call.store,
        call.path("type"),
        urlencode(call.criteria),
        context=_writing(call),
        if_match=call.header("if-match") or None,
    )
    return await _answer(call, applied)


def bundler(operations: Iterable[Row]) -> Callable[[Call], Awaitable[Response]]:
    """Answer the function of the route that takes Bundles; their entries may call these operations."""
    table = Table([*operations])

    async def bundle(call: Call) -> Response:
        """Carry out a batch or a transaction."""
        prefer = call.wanted if call.prefer("return") else "minimal"
        sent = await call.resource_body()
        note_bundle(call.request.scope, sent, call.base)
        body = await transaction.process(
            call.store,
            sent,
            context=call.context,
            prefer=prefer,
            operations=CalledByEntries(table, call),
        )
        return await answer(call, body)

    return bundle


async def _history(call: Call, *, type_: str = "", id_: str = "") -> Response:
    store, context = call.store, call.context
    return await answer(
        call, await histories.history(store, call.criteria, type_=type_, id_=id_, context=context)
    )


async def _patch(call: Call, url: str) -> Response:
    format_ = content_type(call.request, PATCH_FORMATS)
    applied = await patches.patch(
        call.store,
        url,
        format_.name,
        await call.body(),
        context=_writing(call),
        if_match=call.header("if-match") or None,
    )
    return await _answer(call, applied)


async def _search(call: Call, parameters: list[tuple[str, str]]) -> Response:
    body = await searches.search(call.store, call.path("type"), parameters, context=call.context)
    return await answer(call, body)


async def _search_everything(call: Call, parameters: list[tuple[str, str]]) -> Response:
    body = await searches.search_everything(call.store, parameters, context=call.context)
    return await answer(call, body)


async def _search_compartment(call: Call, parameters: list[tuple[str, str]]) -> Response:
    focus, type_ = (call.path("compartment"), call.path("id")), call.path("member")
    body = await searches.search_compartment(call.store, focus, type_, parameters, context=call.context)
    return await answer(call, body)


async def _stored(call: Call, version: Version) -> Response:
    return await (answer_file(call, version) if version.type == "Binary" else stored(call, version))


def _writing(call: Call) -> Context:
    """The context of one write, with the origin of what it writes, if the caller states it."""
    sent = call.header("x-provenance")
    if not sent:
        return call.context
    tree = parse(sent.encode("latin-1"), max_depth=call.services.settings.max_depth)
    return replace(call.context, origin=judged(tree, context=call.context))


async def _resource(call: Call, id_: str = "") -> bytes:
    """The resource of the body; a file sent to Binary is wrapped in one."""
    if call.path("type") == "Binary" and is_file(call.request):
        return await wrapped(call, id_)
    return await call.resource_body()


async def _answer(call: Call, applied: write.Applied) -> Response:
    version = applied.version
    if version is None or applied.outcome == "deleted":
        return Response(status_code=204, headers=version_headers(version) if version else {})
    status = 201 if applied.outcome == "created" else 200
    return await written(call, version, status=status, issues=applied.issues)

"""Visit records in: JSON, YAML, or a form with the record and its sheets."""

from typing import Annotated, Any

from fastapi import Depends, Query
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Message

from service.errors import InvalidInput
from service.fhir.json import Tree, dump
from service.fhir.outcome import operation_outcome
from service.operations.receipt import Receipt
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.records.schema import visit_record_schema
from service.rest.answers import resource
from service.rest.call import ABOUT_THE_ANSWER, Call, current_call
from service.rest.described import answers
from service.rest.negotiation import content_type

__all__ = ["POST_DOCS", "SCHEMA_DOCS", "SCHEMA_JSON", "post_visit", "record_schema"]

_DRY_RUN = "dry-run"
_FORM = "multipart/form-data"
_JSON = "application/json"
_YAML = ("application/yaml", "application/x-yaml", "text/yaml", "text/x-yaml")
_ACCEPTED = (_JSON, *_YAML, _FORM)
SCHEMA_JSON = "application/schema+json"

_RECORD = {"schema": {"$ref": "#/components/schemas/VisitRecord"}}
_SHEET = {"type": "string", "format": "binary"}
_PARTS = {
    "type": "object",
    "required": ["record"],
    "properties": {
        "record": {**_SHEET, "description": "The visit record, JSON or YAML."},
        "trials": {**_SHEET, "description": "Trial sheet, CSV: one row per trial."},
        "boluses": {**_SHEET, "description": "Bolus sheet, CSV: one row per swallowed bolus."},
    },
}
POST_DOCS: dict[str, Any] = {
    "tags": ["Intake"],
    "summary": "Take in one visit record with its sheets, all or nothing",
    "responses": answers(
        {
            201: "A new visit was stored. Parameters: `created`, `updated`, `unchanged` and `removed` "
            "references, and `outcome` with the warnings.",
            200: "The visit was known: corrected, or nothing to write. A dry run answers `bundle`, the "
            "transaction it would carry out, and `outcome`.",
        },
        schema="Resource",
    ),
    "status_code": 201,
    "openapi_extra": {
        "requestBody": {
            "required": True,
            "content": {_JSON: _RECORD, "application/yaml": _RECORD, _FORM: {"schema": _PARTS}},
        }
    },
}
SCHEMA_DOCS: dict[str, Any] = {
    "tags": ["Intake"],
    "summary": "The visit record as JSON Schema",
    "responses": answers({200: "JSON Schema, draft 2020-12."}, SCHEMA_JSON),
}


async def post_visit(
    call: Annotated[Call, Depends(current_call)],
    dry_run: Annotated[
        bool, Query(alias=_DRY_RUN, description="Judge and convert everything, store nothing.")
    ] = False,
) -> Response:
    """Read the record, check every rule, and store it as FHIR.

    All problems are answered at once, each with its place in the record or sheet. The same record sent again
    writes nothing; with changes it corrects the visit.
    """
    _check_parameters(call)
    upload = await _upload(call)
    receipt = await accept(
        call.workplace,
        upload,
        settings=call.services.settings,
        context=call.context,
        dry_run=dry_run,
    )
    new_visit = next((reference for reference in receipt.created if reference.startswith("Encounter/")), "")
    if dry_run or not new_visit:
        return await resource(call, _parameters(receipt))
    answer = await resource(call, _parameters(receipt), status=201)
    answer.headers["Location"] = f"{call.base}/{new_visit}"
    return answer


async def record_schema(call: Annotated[Call, Depends(current_call)]) -> Response:
    """Describe every field of the visit record: name, values, unit."""
    return Response(dump(visit_record_schema()), media_type=call.media_type)


def _check_parameters(call: Call) -> None:
    """InvalidInput for a parameter that is not known: 'dryrun' would store what was only to be tried."""
    if unknown := sorted(call.request.query_params.keys() - {_DRY_RUN} - ABOUT_THE_ANSWER):
        raise InvalidInput(f"Not known here: {', '.join(unknown)[:200]}; there is: {_DRY_RUN}.")


def _parameters(receipt: Receipt) -> Tree:
    """What became of the record; after a dry run the references would be inventions and stay out."""
    outcome = {"name": "outcome", "resource": operation_outcome(receipt.warnings)}
    if receipt.bundle is not None:
        return {
            "resourceType": "Parameters",
            "parameter": [{"name": "bundle", "resource": receipt.bundle}, outcome],
        }
    done = {
        "created": receipt.created,
        "updated": receipt.updated,
        "unchanged": receipt.unchanged,
        "removed": receipt.removed,
    }
    references = [
        {"name": name, "valueReference": {"reference": one}} for name, found in done.items() for one in found
    ]
    return {"resourceType": "Parameters", "parameter": [*references, outcome]}


async def _upload(call: Call) -> Upload:
    kind = content_type(call.request, _ACCEPTED)
    body = await call.body()
    form = kind.name == _FORM
    parts = await _parts(call.request, body) if form else [UploadPart("record", body, kind.name)]
    return Upload(tuple(parts), call.principal.subject)


async def _parts(request: Request, body: bytes) -> list[UploadPart]:
    """The parts of a form. Its size was limited before, so its parts need no limits of their own."""

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    whole = Request(request.scope, receive)
    try:
        async with whole.form(max_files=10, max_fields=10, max_part_size=len(body)) as form:
            return [await _part(name, value) for name, value in form.multi_items()]
    except HTTPException as error:
        raise InvalidInput("The form can't be read as multipart/form-data: check its boundary.") from error


async def _part(name: str, value: UploadFile | str) -> UploadPart:
    if isinstance(value, UploadFile):
        return UploadPart(name, await value.read(), value.content_type or "", value.filename or "")
    # a form field says no type of its own
    guess = _JSON if value.lstrip("\ufeff \t\r\n").startswith("{") else "application/yaml"
    return UploadPart(name, value.encode(), guess)

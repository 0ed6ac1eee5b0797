"""The OpenAPI document: FastAPI describes its own routes, the FHIR rows are added from the route table."""

import json
import re
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from service.records.schema import visit_record_schema
from service.rest.described import SCHEMAS, answers, secured
from service.rest.described_fhir import FHIR_SCHEMAS, body, parameters, responses
from service.rest.dispatch import OPEN, Row

__all__ = ["openapi_document"]

_DESCRIPTION = """\
Swallowing care as HL7 FHIR R4: visit records in, FHIR out, goal attainment across visits, de-identified data.

Every error answer is a FHIR OperationOutcome, but those of `/oauth/token`. Every address but metadata,
health, what is well known, `/oauth/` and this document wants `Authorization: Bearer <token>`. The scopes
named with an operation are those of SMART App Launch 2 without their first part (`Goal.rs` is granted by
`user/Goal.rs`, `system/*.cruds` and the like) or this service's own words; `*.cruds` means any one of them.
What the FHIR addresses can do in detail is in `/fhir/metadata`.
"""

_HEALTH = {200: "It is."}


def openapi_document(app: FastAPI, rows: list[Row]) -> dict[str, Any]:
    """Answer the document of ``app``: its documented routes, and ``rows``, which FastAPI does not know."""
    document = get_openapi(title=app.title, version=app.version, description=_DESCRIPTION, routes=app.routes)
    components = document.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    schemas.update(SCHEMAS, **FHIR_SCHEMAS, **_visit_record())
    for unused in ("HTTPValidationError", "ValidationError"):  # our errors are OperationOutcomes
        schemas.pop(unused, None)
    components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer", "bearerFormat": "JWT"}}
    for row in rows:
        if row.path.endswith("/"):
            continue  # the same address again, for clients that end it with a slash
        document["paths"].setdefault(row.path, {})[row.method.lower()] = _operation(row)
    return document


def _visit_record() -> dict[str, Any]:
    """The schema of the visit record, its parts beside it as OpenAPI wants them."""
    text = json.dumps(visit_record_schema()).replace('"#/$defs/', '"#/components/schemas/')
    schema: dict[str, Any] = json.loads(text)
    parts: dict[str, Any] = schema.pop("$defs")
    record = {name: value for name, value in schema.items() if name not in {"$schema", "$id"}}
    return parts | {"VisitRecord": record}


def _operation(row: Row) -> dict[str, Any]:
    name = row.function.__name__
    fhir = row.path.startswith("/fhir") and not row.docs
    operation: dict[str, Any] = {
        "tags": ["FHIR" if fhir else "Health"],
        "summary": (row.function.__doc__ or name).splitlines()[0],
        "operationId": re.sub(r"\W+", "_", f"{name}_{row.method}_{row.path}").strip("_").lower(),
        "responses": responses(row) if fhir else {str(key): one for key, one in answers(_HEALTH).items()},
    }
    if fhir:
        operation["parameters"] = parameters(row)
        if content := body(row):
            operation["requestBody"] = content
    return operation | row.docs | (secured(row.needs) if row.needs != OPEN else {})

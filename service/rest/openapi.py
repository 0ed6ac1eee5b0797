"""The OpenAPI document: FastAPI describes its own routes, the FHIR rows are added from the route table."""

import re
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from service.rest.dispatch import OPEN, Row

__all__ = ["openapi_document"]

_DESCRIPTION = """\
Swallowing care as HL7 FHIR R4: visit records in, FHIR out, goal attainment across visits, de-identified data.

Every error answer is a FHIR OperationOutcome. Every address but metadata, health and this document wants
`Authorization: Bearer <token>`; each operation below names the scopes of which one opens it. What the FHIR
addresses can do in detail is in `/fhir/metadata`.
"""
_VARIABLE = re.compile(r"{(\w+)(?::\w+)?}")
_OUTCOME = {"application/fhir+json": {"schema": {"$ref": "#/components/schemas/OperationOutcome"}}}
_FAILED = {"description": "What is wrong, where, and what to do: an OperationOutcome.", "content": _OUTCOME}
_SCHEMAS = {
    "OperationOutcome": {
        "type": "object",
        "description": "FHIR R4 OperationOutcome: one issue per problem.",
        "required": ["resourceType", "issue"],
        "properties": {
            "resourceType": {"const": "OperationOutcome"},
            "issue": {"type": "array", "minItems": 1, "items": {"$ref": "#/components/schemas/Issue"}},
        },
    },
    "Issue": {
        "type": "object",
        "required": ["severity", "code", "details"],
        "properties": {
            "severity": {"enum": ["fatal", "error", "warning", "information"]},
            "code": {"type": "string", "description": "A code of http://hl7.org/fhir/issue-type."},
            "details": {
                "type": "object",
                "properties": {
                    "text": {"type": "string", "description": "The sentence a person can act on."},
                    "coding": {"type": "array", "items": {"type": "object"}, "description": "The rule's id."},
                },
            },
            "diagnostics": {
                "type": "string",
                "description": "Pointer and line, or row and column.",
            },
            "expression": {
                "type": "array",
                "items": {"type": "string"},
                "description": "FHIRPath.",
            },
        },
    },
}


def openapi_document(app: FastAPI, rows: list[Row]) -> dict[str, Any]:
    """Answer the document of ``app``: its documented routes, and ``rows``, which FastAPI does not know."""
    document = get_openapi(title=app.title, version=app.version, description=_DESCRIPTION, routes=app.routes)
    components = document.setdefault("components", {})
    components.setdefault("schemas", {}).update(_SCHEMAS)
    components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer", "bearerFormat": "JWT"}}
    for row in rows:
        document["paths"].setdefault(row.path, {})[row.method.lower()] = _operation(row)
    return document


def _operation(row: Row) -> dict[str, Any]:
    name = row.function.__name__
    operation: dict[str, Any] = {
        "tags": ["FHIR" if row.path.startswith("/fhir") else "Health"],
        "summary": (row.function.__doc__ or name).splitlines()[0],
        "operationId": re.sub(r"\W+", "_", f"{name}_{row.method}_{row.path}").strip("_").lower(),
        "responses": {"2XX": {"description": "Done."}, "default": _FAILED},
    }
    if variables := _VARIABLE.findall(row.path):
        operation["parameters"] = [
            {"name": variable, "in": "path", "required": True, "schema": {"type": "string"}}
            for variable in variables
        ]
    return operation | (secured(row.needs) if row.needs != OPEN else {})


def secured(needs: tuple[str, ...]) -> dict[str, Any]:
    """What an operation of the document says about the rights it wants."""
    opening = " or ".join(f"`{need}`" for need in needs)
    return {"security": [{"token": []}], "description": f"Opened by the scope {opening}."}

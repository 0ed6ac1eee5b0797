"""Pieces of the OpenAPI document that the routes share."""

from typing import Any

__all__ = ["FAILED", "FHIR_JSON", "SCHEMAS", "answers", "secured"]

FHIR_JSON = "application/fhir+json"

FAILED = {
    "description": "What is wrong, where, and what to do.",
    "content": {FHIR_JSON: {"schema": {"$ref": "#/components/schemas/OperationOutcome"}}},
}

SCHEMAS: dict[str, Any] = {
    "Resource": {
        "type": "object",
        "description": "A FHIR R4 resource (http://hl7.org/fhir/R4/resourcelist.html).",
        "required": ["resourceType"],
        "properties": {"resourceType": {"type": "string"}},
    },
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
                    "coding": {"type": "array", "items": {"type": "object"}, "description": "The rule."},
                },
            },
            "diagnostics": {"type": "string", "description": "Pointer and line, or row and column."},
            "expression": {"type": "array", "items": {"type": "string"}, "description": "FHIRPath."},
        },
    },
}


def answers(statuses: dict[int, str], media_type: str = FHIR_JSON, schema: str = "") -> dict[int | str, Any]:
    """Describe the answers of an operation: good ones by status, and every error alike.

    ``schema`` names one of SCHEMAS, empty for a body without a fixed shape.
    """
    shape = {"schema": {"$ref": f"#/components/schemas/{schema}"}} if schema else {}
    described: dict[int | str, Any] = {
        status: {"description": text, "content": {media_type: shape}} for status, text in statuses.items()
    }
    return described | {"4XX": FAILED, 503: FAILED}


def secured(needs: tuple[str, ...]) -> dict[str, Any]:
    """What an operation says of the rights it wants: any alternative, all the scopes it lists."""
    return {"security": [{"token": alternative.split()} for alternative in needs]}

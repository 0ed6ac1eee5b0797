"""The visit record as JSON Schema (draft 2020-12), made from its pydantic models.

``python -m service.records.schema > openapi/visit-record.schema.json`` writes the published copy.
"""

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from service.fhir.canonical import CANONICAL_ROOT
from service.records.visit import VisitRecord

__all__ = ["visit_record_schema"]


class _Schema(GenerateJsonSchema):
    """Decimals are JSON numbers here, not numbers or text; yes and true, no and false mean the same."""

    def bool_schema(self, schema: core_schema.BoolSchema) -> JsonSchemaValue:  # noqa: ARG002  # pydantic's signature
        return {"enum": [True, False, "yes", "no"]}

    def literal_schema(self, schema: core_schema.LiteralSchema) -> JsonSchemaValue:
        if {"yes", "no"} <= set(schema["expected"]):
            return {"enum": [*schema["expected"], True, False]}
        return super().literal_schema(schema)

    def decimal_schema(self, schema: core_schema.DecimalSchema) -> JsonSchemaValue:
        limits = {"ge": "minimum", "gt": "exclusiveMinimum", "le": "maximum", "lt": "exclusiveMaximum"}
        found = {word: float(schema[key]) for key, word in limits.items() if key in schema}  # type: ignore[literal-required]  # keys are the four above
        return {"type": "number", **found}


def visit_record_schema() -> dict[str, Any]:
    """The schema, as a tree ready to be written as JSON."""
    schema = VisitRecord.model_json_schema(schema_generator=_Schema)
    head = {"$schema": GenerateJsonSchema.schema_dialect, "$id": f"{CANONICAL_ROOT}/visit-record.schema.json"}
    return head | schema

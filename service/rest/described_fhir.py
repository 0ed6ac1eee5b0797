"""What the OpenAPI document says of one FHIR row: its parameters, body and statuses (FHIR R4 http.html)."""

import re
from typing import Any

from service.fhir.search_parameters import stored_types
from service.rest.described import FHIR_JSON, answers
from service.rest.dispatch import Row
from service.rest.negotiation import FHIR_XML

__all__ = ["FHIR_SCHEMAS", "body", "parameters", "responses"]

FHIR_SCHEMAS: dict[str, Any] = {
    "StoredType": {"type": "string", "enum": sorted(stored_types()), "description": "A type stored here."},
    "Id": {"type": "string", "pattern": r"^[A-Za-z0-9\-.]{1,64}$", "description": "A resource's id."},
    "JsonPatch": {
        "type": "array",
        "description": "JSON Patch, RFC 6902.",
        "items": {
            "type": "object",
            "required": ["op", "path"],
            "properties": {
                "op": {"enum": ["add", "remove", "replace", "move", "copy", "test"]},
                "path": {"type": "string"},
                "from": {"type": "string"},
                "value": {},
            },
        },
    },
}
_JSON_PATCH = "application/json-patch+json"
_XML_PATCH = "application/xml-patch+xml"
_AS_XML = {"schema": {"type": "string", "description": "The same as XML."}}
_VARIABLE = re.compile(r"{(\w+)}")
_PATH_SCHEMAS = {"type": "StoredType", "compartment": "StoredType", "id": "Id"}
_RESULT = {
    "_format": ("json, xml or a media type; decides over Accept.", {"type": "string"}),
    "_pretty": ("Whether the answer is indented.", {"enum": ["true", "false"]}),
}
_SEARCH = {
    "_id": ("Ids.", {"type": "string"}),
    "_lastUpdated": ("When it was last written, with a prefix.", {"type": "string"}),
    "_count": ("Entries on a page.", {"type": "string"}),
    "_sort": ("Search parameters, '-' before one for falling order.", {"type": "string"}),
}
_HISTORY = {
    "_count": ("Entries on a page.", {"type": "string"}),
    "_since": ("Only versions written at or after this instant.", {"type": "string"}),
}
_DECIDED = {"accept-status", "override-status", "exclude-visit", "mark-not-observable", "sign-visit"}
"""Operations that demand If-Match."""
_MATCH = ("If-Match", "The version that must be current, as its entity tag.")
_EXPORTS = {"export", "patient-export", "group-export"}
"""Operations that are answered later."""
_NONE_EXIST = ("If-None-Exist", "A search; nothing is created if it has a match.")
_PREFER = ("Prefer", "return=minimal, representation or OperationOutcome; handling=strict or lenient.")
_LATER = ("Prefer", "respond-async, which is demanded; handling=lenient leaves out what is not offered.")
_TAKEN_ON = {202: "Taken on; Content-Location tells where it stands."}
_STATUSES: dict[str, dict[int, str]] = {
    "GET": {200: "Found."},
    "POST": {200: "Done.", 201: "Created."},
    "PUT": {200: "Stored.", 201: "Created."},
    "PATCH": {200: "Stored."},
    "DELETE": {},
}
_WITHOUT_BODY: dict[str, dict[int | str, Any]] = {
    "GET": {304: {"description": "The caller has this version."}},
    "DELETE": {204: {"description": "Deleted, or not there."}},
}


def parameters(row: Row) -> list[dict[str, Any]]:
    """Answer the path's variables, the query's parameters and the headers of a row."""
    query = {**_RESULT, **_of_query(row)}
    headers = [_LATER if row.operation in _EXPORTS else _PREFER]
    if row.method in {"PUT", "PATCH", "DELETE"} or row.operation in _DECIDED:
        headers.append(_MATCH)
    if row.method == "POST" and row.path.endswith("/{type}"):
        headers.append(_NONE_EXIST)
    return [
        *({"name": name, "in": "path", "required": True, "schema": _of_path(name)} for name in _names(row)),
        *(
            {"name": name, "in": "query", "description": text, "schema": schema}
            for name, (text, schema) in query.items()
        ),
        *(
            {"name": name, "in": "header", "description": text, "schema": {"type": "string"}}
            for name, text in headers
        ),
    ]


def body(row: Row) -> dict[str, Any]:
    """Answer what a row takes as its body; empty if it takes none."""
    if row.method not in {"POST", "PUT", "PATCH"}:
        return {}
    if row.path.endswith("_search"):
        form = {"type": "object", "additionalProperties": {"type": "string"}}
        return {"content": {"application/x-www-form-urlencoded": {"schema": form}}}
    patches = {_JSON_PATCH: {"schema": {"$ref": "#/components/schemas/JsonPatch"}}, _XML_PATCH: _AS_XML}
    content = {FHIR_JSON: {"schema": {"$ref": "#/components/schemas/Resource"}}, FHIR_XML: _AS_XML}
    return {
        "content": content | (patches if row.method == "PATCH" else {}),
        "required": "$" not in row.path,
    }


def responses(row: Row) -> dict[str, Any]:
    """Answer the statuses of a row, good and bad."""
    if row.operation in _EXPORTS:
        described = answers(_TAKEN_ON, schema="OperationOutcome")
    else:
        described = answers(_STATUSES[row.method], schema="Resource") | _WITHOUT_BODY.get(row.method, {})
    return {str(status): _in_xml_too(answer) for status, answer in described.items()}


def _in_xml_too(answer: dict[str, Any]) -> dict[str, Any]:
    """An answer of FHIR JSON is answered as XML where that is asked for."""
    content = answer.get("content", {})
    return {**answer, "content": {**content, FHIR_XML: _AS_XML}} if content else answer


def _of_query(row: Row) -> dict[str, tuple[str, dict[str, Any]]]:
    if row.path.endswith("_history"):
        return _HISTORY
    return _SEARCH if row.path.endswith("/{type}") and row.method != "POST" else {}


def _of_path(name: str) -> dict[str, Any]:
    known = _PATH_SCHEMAS.get(name)
    return {"$ref": f"#/components/schemas/{known}"} if known else {"type": "string"}


def _names(row: Row) -> list[str]:
    return _VARIABLE.findall(row.path)

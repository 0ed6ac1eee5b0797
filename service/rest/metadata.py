"""The CapabilityStatement, made from the tables that drive the routes and the searches.

Source: FHIR R4 capabilitystatement.html.
"""

from collections.abc import Awaitable, Callable, Iterable
from functools import lru_cache
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from service import __version__
from service.fhir.canonical import CANONICAL_ROOT, operation_definition
from service.fhir.json import dump
from service.fhir.patch import PATCH_FORMATS
from service.fhir.search_parameters import parameters, stored_types
from service.rest.answers import tagged
from service.rest.call import open_call
from service.rest.dispatch import Row
from service.rest.negotiation import FORMATS
from service.settings import Settings

__all__ = ["reader", "statement"]

_INTERACTIONS = {
    "read": "read",
    "vread": "vread",
    "history": "history-instance",
    "history_of_type": "history-type",
    "search": "search-type",
    "create": "create",
    "update": "update",
    "patch": "patch",
    "delete": "delete",
}
_SUPPORT = {
    "versioning": "versioned",
    "readHistory": True,
    "updateCreate": True,
    "conditionalCreate": True,
    "conditionalRead": "full-support",
    "conditionalUpdate": True,
    "conditionalDelete": "single",
}
_REFERENCES = {
    "allow": "References to resources that are not stored are accepted, also relative ones.",
    "enforce": "References below the base must lead to stored resources, which can't be deleted.",
}
_POLICY = {"allow": ["literal", "logical"], "enforce": ["literal", "logical", "enforced"]}
_SEARCH_TYPES = {"id": "token", "updated": "date"}
_DOCUMENTATION = (
    "Storing what is stored already makes no new version; labels and tags are added by an update and taken "
    "away by $meta-delete alone. Unknown search parameters are refused unless 'Prefer: handling=lenient' "
    "is sent. "
    "A patch that changes other elements than meta and text takes a narrative with it that a machine made "
    "(text.status generated or extensions), unless it sets another; one made by a person stays."
)
_SECURITY = "Every request needs a Bearer access token (a signed JWT) with SMART App Launch 2 scopes."
_RESULT_PARAMETERS = [
    {"name": "_count", "type": "number", "documentation": "Entries on a page; 0 counts only."},
    {"name": "_total", "type": "token", "documentation": "none or accurate."},
    {
        "name": "_sort",
        "type": "string",
        "documentation": "Any parameter but composites; '-' descends; without a value a resource comes last.",
    },
]


def reader(rows: Iterable[Row]) -> Callable[[Request], Awaitable[Response]]:
    """Answer the function of the route that serves the statement about ``rows``."""
    table = tuple(rows)

    @lru_cache(maxsize=8)
    def text(base: str, date: str, settings: Settings) -> bytes:
        return dump(statement(table, base=base, date=date, settings=settings))

    async def metadata(request: Request) -> Response:
        """Say what this service can do: a CapabilityStatement."""
        call = open_call(request)
        date = call.services.now().date().isoformat()
        return tagged(call, text(call.base, date, call.services.settings))

    return metadata


def statement(rows: Iterable[Row], *, base: str, date: str, settings: Settings) -> dict[str, Any]:
    """Answer the CapabilityStatement of a service that serves ``rows`` at the FHIR base URL ``base``."""
    rows = list(rows)
    return {
        "resourceType": "CapabilityStatement",
        "url": f"{CANONICAL_ROOT}/CapabilityStatement/service",
        "version": __version__,
        "name": "SwallowInterop",
        "status": "active",
        "date": date,
        "kind": "instance",
        "software": {"name": "swallow-interop", "version": __version__},
        "implementation": {"description": "Swallowing care as FHIR R4", "url": base},
        "fhirVersion": "4.0.1",
        "format": [*FORMATS],
        "patchFormat": [*PATCH_FORMATS],
        "rest": [_rest(rows, settings)],
    }


def _rest(rows: list[Row], settings: Settings) -> dict[str, Any]:
    served = {row.function.__name__ for row in rows if "{type}" in row.path}
    codes = [{"code": code} for name, code in _INTERACTIONS.items() if name in served]
    return {
        "mode": "server",
        "documentation": f"{_REFERENCES[settings.references]} {_DOCUMENTATION}",
        "security": {"cors": bool(settings.cors_origins.split()), "description": _SECURITY},
        "resource": [
            *(
                _resource(type_, codes, _operations(rows, type_), _POLICY[settings.references])
                for type_ in stored_types()
            ),
        ],
        "interaction": [{"code": code} for code in ("transaction", "batch", "history-system")],
        "searchParam": _RESULT_PARAMETERS,
        "operation": _operations(rows, ""),
    }


def _resource(
    type_: str, codes: list[dict[str, str]], operations: list[dict[str, str]], policy: list[str]
) -> dict[str, Any]:
    found = [
        {
            "name": parameter.name,
            "definition": parameter.url,
            "type": _SEARCH_TYPES.get(parameter.kind, parameter.kind),
        }
        for parameter in parameters(type_).values()
    ]
    entry = {"type": type_, "interaction": codes, **_SUPPORT, "referencePolicy": policy, "searchParam": found}
    return entry | ({"operation": operations} if operations else {})


def _operations(rows: list[Row], type_: str) -> list[dict[str, str]]:
    """The operations of a type, empty for those of the system: rows that name one, below the type."""
    levels = [f"/fhir/{name}/" for name in (type_, "{type}")] if type_ else ["/fhir/$"]
    found = {row.operation: row for row in rows if row.operation and row.path.startswith(tuple(levels))}
    return [
        {"name": row.path.rpartition("/$")[2], "definition": operation_definition(name)}
        for name, row in found.items()
    ]

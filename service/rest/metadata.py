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
from service.fhir.search_parameters import compartments, parameters, stored_types
from service.fhir.subscription import GUIDE
from service.fhir.topics import topics
from service.fhir.validation.profiles.base_types import own_profiles_of
from service.interactions.includes import offered
from service.rest.answers import tagged
from service.rest.call import READ_ONLY_TYPES, open_call
from service.rest.dispatch import Row
from service.rest.negotiation import FORMATS
from service.rest.oauth import oauth_addresses
from service.rest.terminology_capabilities import capabilities
from service.settings import Settings
from service.store.audit import AUDIT
from service.store.audit_sql import SEARCHED

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
_SYSTEM = ("transaction", "batch", "search-system", "history-system")
_SUPPORT = {
    "versioning": "versioned",
    "readHistory": True,
    "updateCreate": True,
    "conditionalCreate": True,
    "conditionalRead": "full-support",
    "conditionalUpdate": True,
    "conditionalDelete": "single",
}
_WRITES = frozenset({"create", "update", "patch", "delete", "meta-add", "meta-delete"})
_NO_WRITES = {
    "updateCreate": False,
    "conditionalCreate": False,
    "conditionalUpdate": False,
    "conditionalDelete": "not-supported",
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
    "is sent. Operations may be entries of a batch, and of a transaction if they change nothing. "
    "A patch that changes other elements than meta and text takes a narrative with it that a machine made "
    "(text.status generated or extensions), unless it sets another; one made by a person stays. "
    "The header X-Provenance states the origin of one write, and is stored with it."
)
_AUDIT = (
    "Written by the service itself, one for every access; found by the parameters named here alone, without "
    "chaining or including, newest first (_sort by date), and not among the types of a search of everything. "
    "Needs system/AuditEvent.rs or audit-read."
)
_SECURITY = "Every request needs a Bearer access token (a signed JWT) with SMART App Launch 2 scopes."
_SUBSCRIPTIONS = f"{GUIDE}/CapabilityStatement/backport-subscription-server-r4"
_TOPIC = f"{GUIDE}/StructureDefinition/capabilitystatement-subscriptiontopic-canonical"
_SUBSCRIBING = (
    "Topic-based subscriptions by rest-hook alone: the criteria is a topic that is named here, the status is "
    "written 'requested' or 'off', and notifications tell what the token of who wrote it last may read."
)
_BULK_DATA = "http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data"
_SERVICES = "http://terminology.hl7.org/CodeSystem/restful-security-service"
_OAUTH_URIS = "http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris"
_RESULT_PARAMETERS = [
    {"name": "_count", "type": "number", "documentation": "Entries on a page; 0 counts only."},
    {"name": "_summary", "type": "token", "documentation": "true, text, data, count or false."},
    {
        "name": "_elements",
        "type": "token",
        "documentation": "Names of elements at the top; others are left out.",
    },
    {"name": "_include", "type": "token", "documentation": "Type:parameter, Type:parameter:Target or *."},
    {"name": "_revinclude", "type": "token", "documentation": "As _include, what refers to the matches."},
    {"name": "_list", "type": "token", "documentation": "The id of a stored List: what it holds."},
    {"name": "_contained", "type": "token", "documentation": "false: contained resources are not searched."},
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
    def text(base: str, date: str, settings: Settings, where: tuple[str, str]) -> bytes:
        return dump(statement(table, base=base, date=date, settings=settings, where=where))

    async def metadata(request: Request) -> Response:
        """Say what this service can do: a CapabilityStatement, or TerminologyCapabilities if asked for."""
        call = open_call(request)
        date = call.services.now().date().isoformat()
        if ("mode", "terminology") in call.criteria:
            return await tagged(call, dump(capabilities(call.base, date, call.services.code_lists)))
        services = call.services
        where = oauth_addresses(call.base, services.smart_configuration)
        return await tagged(call, text(call.base, date, services.settings, where))

    return metadata


def statement(
    rows: Iterable[Row], *, base: str, date: str, settings: Settings, where: tuple[str, str]
) -> dict[str, Any]:
    """Answer the CapabilityStatement of a service that serves ``rows`` at the FHIR base URL ``base``.

    ``where``: the addresses at which people and systems are given tokens.
    """
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
        "instantiates": [_BULK_DATA, _SUBSCRIPTIONS],
        "rest": [_rest(rows, settings, where)],
    }


def _rest(rows: list[Row], settings: Settings, where: tuple[str, str]) -> dict[str, Any]:
    served = {row.function.__name__ for row in rows if "{type}" in row.path}
    codes = [{"code": code} for name, code in _INTERACTIONS.items() if name in served]
    return {
        "mode": "server",
        "documentation": f"{_REFERENCES[settings.references]} {_DOCUMENTATION}",
        "security": _security(settings, where),
        "resource": [
            *(
                _resource(type_, codes, _operations(rows, type_), _POLICY[settings.references])
                for type_ in stored_types()
            ),
        ],
        "interaction": [{"code": code} for code in _SYSTEM],
        "compartment": [
            f"http://hl7.org/fhir/CompartmentDefinition/{name.lower()}" for name in compartments()
        ],
        "searchParam": _RESULT_PARAMETERS,
        "operation": _operations(rows, ""),
    }


def _security(settings: Settings, where: tuple[str, str]) -> dict[str, Any]:
    """What the first version of SMART App Launch wants told here: it is still looked for."""
    uris = zip(("authorize", "token"), where, strict=True)
    told = [{"url": name, "valueUri": uri} for name, uri in uris]
    return {
        "extension": [{"url": _OAUTH_URIS, "extension": told}],
        "cors": bool(settings.cors_origins.split()),
        "service": [{"coding": [{"system": _SERVICES, "code": "SMART-on-FHIR"}], "text": "SMART App Launch"}],
        "description": _SECURITY,
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
        if type_ != AUDIT or parameter.name in SEARCHED
    ]
    support = _SUPPORT
    if type_ in READ_ONLY_TYPES:
        codes = [one for one in codes if one["code"] not in _WRITES]
        operations = [one for one in operations if one["name"] not in _WRITES]
        support = _SUPPORT | _NO_WRITES
    entry = {"type": type_, "interaction": codes, **support, "referencePolicy": policy}
    if profiles := own_profiles_of(type_):
        entry["supportedProfile"] = profiles
    if ahead := offered(type_):
        entry |= {"searchInclude": ahead, "searchRevInclude": offered(type_, reverse=True)}
    entry["searchParam"] = found
    if type_ == AUDIT:
        entry["documentation"] = _AUDIT
    if type_ == "Subscription":
        named = [{"url": _TOPIC, "valueCanonical": one.url} for one in topics()]
        profile = {"supportedProfile": [f"{GUIDE}/StructureDefinition/backport-subscription"]}
        entry = {"extension": named, **entry, **profile, "documentation": _SUBSCRIBING}
    return entry | ({"operation": operations} if operations else {})


def _operations(rows: list[Row], type_: str) -> list[dict[str, str]]:
    """The operations of a type, empty for those of the system: rows that name one, below the type."""
    levels = [f"/fhir/{name}/" for name in (type_, "{type}")] if type_ else ["/fhir/$"]
    found = {row.operation: row for row in rows if row.operation and row.path.startswith(tuple(levels))}
    return [
        {"name": row.path.rpartition("/$")[2], "definition": operation_definition(name)}
        for name, row in found.items()
    ]

"""The CapabilityStatement is true in both directions: what it declares works, what it does not is refused."""

import json
from collections.abc import Callable
from functools import cache
from typing import Any
from urllib.parse import urlsplit

import pytest
from httpx import AsyncClient, QueryParams, Response
from r4_examples import REFUSED as NOT_R4
from r4_examples import example_files

from service.fhir.search_parameters import stored_types
from service.operations.arguments import definitions

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("G3", "G4", "G6")]

INTERACTIONS = {
    "create",
    "read",
    "vread",
    "update",
    "patch",
    "delete",
    "history-instance",
    "history-type",
    "search-type",
}
TYPES = tuple(stored_types())
REFUSED = {400, 404, 405, 415, 422}
JSON_PATCH = "application/json-patch+json"
PATCHES = {
    JSON_PATCH: b'[{"op":"add","path":"/language","value":"en"}]',
    "application/fhir+json": json.dumps(
        {
            "resourceType": "Parameters",
            "parameter": [
                {
                    "name": "operation",
                    "part": [
                        {"name": "type", "valueCode": "add"},
                        {"name": "path", "valueString": "Patient"},
                        {"name": "name", "valueString": "language"},
                        {"name": "value", "valueCode": "en"},
                    ],
                }
            ],
        }
    ).encode(),
    "application/xml-patch+xml": (
        b'<diff xmlns:f="http://hl7.org/fhir">'
        b'<add sel="f:Patient"><language xmlns="http://hl7.org/fhir" value="en"/></add></diff>'
    ),
}
STANDARD_OPERATIONS = (
    *(
        "apply",
        "closure",
        "convert",
        "data-requirements",
        "diff",
        "document",
        "evaluate-measure",
        "everything",
    ),
    *("expand", "find", "graph", "graphql", "lastn", "lookup", "match", "meta", "meta-add", "meta-delete"),
    *("populate", "process-message", "questionnaire", "snapshot", "stats", "submit", "subsumes", "transform"),
    *("translate", "validate", "validate-code", "versions"),
)
AT_ONCE = 20
"""As many as may be included in one search."""
VALUES = {
    "token": "x",
    "date": "ge2026-01-01",
    "string": "x",
    "number": "5",
    "quantity": "5",
    "uri": "urn:x",
    "special": "x",
}


async def rest_of(client: AsyncClient) -> dict[str, Any]:
    (rest,) = (await client.get("/fhir/metadata")).json()["rest"]
    found: dict[str, Any] = rest
    return found


def declared(rest: dict[str, Any], type_: str) -> dict[str, Any]:
    (resource,) = [one for one in rest["resource"] if one["type"] == type_]
    found: dict[str, Any] = resource
    return found


TOPIC_BASED = {
    "resourceType": "Subscription",
    "id": "topic-based",
    "status": "off",
    "reason": "HTEST",
    "criteria": "https://swallow-interop.example.org/fhir/SubscriptionTopic/visit-recorded",
    "channel": {
        "type": "rest-hook",
        "endpoint": "https://subscriber.example.org/notifications",
        "payload": "application/fhir+json",
        "_payload": {
            "extension": [
                {
                    "url": "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/"
                    "backport-payload-content",
                    "valueCode": "empty",
                }
            ]
        },
    },
}
"""R4's own examples are subscribed to searches, which is not offered."""


@cache
def example(type_: str) -> str:
    """The shortest official example of a type."""
    if type_ == "Subscription":
        return json.dumps(TOPIC_BASED)
    texts = [file.read_text("utf-8") for file in example_files(type_) if file.name not in NOT_R4]
    return min((text for text in texts if json.loads(text).get("id")), key=len)


async def tried(client: AsyncClient, type_: str) -> dict[str, Response]:
    """Every interaction there is, with one resource of the type."""
    text, id_ = example(type_), json.loads(example(type_))["id"]
    headers = {"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"}
    where = f"/fhir/{type_}/{id_}"
    client.headers["Accept"] = "application/fhir+json"
    return {
        "create": await client.post(f"/fhir/{type_}", content=text, headers=headers),
        "update": await client.put(where, content=text, headers=headers),
        "read": await client.get(where),
        "vread": await client.get(f"{where}/_history/1"),
        "patch": await client.patch(where, content=PATCHES[JSON_PATCH], headers={"Content-Type": JSON_PATCH}),
        "history-instance": await client.get(f"{where}/_history"),
        "history-type": await client.get(f"/fhir/{type_}/_history"),
        "search-type": await client.get(f"/fhir/{type_}"),
        "delete": await client.delete(where),
    }


@pytest.mark.parametrize("type_", TYPES)
async def test_interactions(integrator: AsyncClient, type_: str) -> None:
    codes = {one["code"] for one in declared(await rest_of(integrator), type_)["interaction"]}
    assert codes <= INTERACTIONS
    readable = {"read", "vread", "history-instance"} if "update" not in codes else set[str]()
    for name, answer in (await tried(integrator, type_)).items():
        if name in readable:  # there is nothing to be read that a caller could have written
            assert answer.status_code == 404, (name, answer.text)
        elif name in codes:
            assert answer.is_success, (name, answer.text)
        else:
            assert answer.status_code == 405, (name, answer.text)
            assert answer.json()["resourceType"] == "OperationOutcome"


async def test_types_that_are_not_declared_are_unknown(integrator: AsyncClient) -> None:
    types = {one["type"] for one in (await rest_of(integrator))["resource"]}
    for type_ in ("Account", "Claim", "Immunization", "patient", "Resource", "DomainResource", "Nothing"):
        assert type_ not in types
        for method, path in (("GET", ""), ("POST", ""), ("GET", "/1"), ("PUT", "/1"), ("DELETE", "/1")):
            answer = await integrator.request(method, f"/fhir/{type_}{path}", json={"resourceType": type_})
            assert answer.status_code == 404, (method, type_)


def _value(type_: str, kind: str) -> str:
    if kind == "reference":
        return "Patient/x" if type_ == "AuditEvent" else "true"
    return VALUES[kind]


@pytest.mark.parametrize("type_", TYPES)
async def test_search_parameters(integrator: AsyncClient, type_: str) -> None:
    rest = await rest_of(integrator)
    own = {one["name"]: one["type"] for one in declared(rest, type_)["searchParam"]}
    asked = {
        # AuditEvents are found by what they name alone
        (name if kind != "reference" or type_ == "AuditEvent" else f"{name}:missing"): _value(type_, kind)
        for name, kind in own.items()
        if kind != "composite"
    }
    answer = await integrator.get(f"/fhir/{type_}", params={**asked, "_count": "0"})
    assert answer.status_code == 200, answer.text  # else it would name what it refuses
    (link,) = [one["url"] for one in answer.json()["link"] if one["relation"] == "self"]
    assert asked.keys() <= set(QueryParams(urlsplit(link).query))
    result = {one["name"] for one in rest["searchParam"]}
    every = {name for one in rest["resource"] for name in (two["name"] for two in one.get("searchParam", []))}
    unknown = ("_text", "_content", "_filter", "_query", "nonsense")
    refused = [*sorted(every - own.keys() - result), *unknown]
    answer = await integrator.get(f"/fhir/{type_}", params=dict.fromkeys(refused, "x"))
    assert answer.status_code == 400
    named = {one["expression"][0].removeprefix("http.") for one in answer.json()["issue"]}
    for name in refused:
        if name not in named:  # what only AuditEvents have not is judged after the others
            answer = await integrator.get(f"/fhir/{type_}", params={name: "x"})
            assert answer.status_code == 400, (name, answer.text)
    assert len(refused) - len(named) < 10


@pytest.mark.parametrize("type_", TYPES)
async def test_includes(integrator: AsyncClient, type_: str) -> None:
    rest = await rest_of(integrator)
    resource = declared(rest, type_)
    every = {name for one in rest["resource"] for name in one.get("searchInclude", [])}
    for parameter, member in (("_include", "searchInclude"), ("_revinclude", "searchRevInclude")):
        own = set(resource.get(member, []))
        for at in range(0, len(own), AT_ONCE):
            asked = {parameter: sorted(own)[at : at + AT_ONCE], "_count": "1"}
            answer = await integrator.get(f"/fhir/{type_}", params=asked)
            assert answer.status_code == 200, answer.text  # else it would name what it refuses
        others = every - own if parameter == "_include" else set[str]()
        some = sorted(others)[TYPES.index(type_) % 16 :: 16]  # others for each type, all of them twice
        for value in [*some, f"{type_}:nonsense", "Nothing:subject"]:
            answer = await integrator.get(f"/fhir/{type_}", params={parameter: value})
            assert answer.status_code == 400, (parameter, value)


async def test_result_parameters(integrator: AsyncClient) -> None:
    values = {
        "_count": "3",
        "_total": "none",
        "_sort": "-_lastUpdated",
        "_summary": "true",
        "_elements": "id",
        "_include": "Patient:organization",
        "_revinclude": "Observation:subject",
        "_contained": "false",
        "_list": "none",
    }
    for parameter in (await rest_of(integrator))["searchParam"]:
        name = parameter["name"]
        answer = await integrator.get("/fhir/Patient", params={name: values[name]})
        assert answer.status_code == 200, (name, answer.text)


@pytest.mark.conformance("F1")
async def test_operations(integrator: AsyncClient) -> None:
    rest = await rest_of(integrator)
    levels: dict[str, dict[str, str]] = {"": {one["name"]: one["definition"] for one in rest["operation"]}}
    for one in rest["resource"]:
        levels[one["type"]] = {two["name"]: two["definition"] for two in one.get("operation", [])}
    await integrator.put("/fhir/Patient/p", json={"resourceType": "Patient", "id": "p"})
    for type_, operations in levels.items():
        for name in dict.fromkeys([*STANDARD_OPERATIONS, *definitions(), *operations]):
            paths = [f"/fhir/{type_}/${name}", f"/fhir/{type_}/p/${name}"] if type_ else [f"/fhir/${name}"]
            statuses = {path: (await integrator.post(path)).status_code for path in paths}
            if name not in operations:
                assert set(statuses.values()) <= {404, 405}, (name, statuses)
                continue
            definition = (await integrator.get(f"/fhir/{operations[name].partition('/fhir/')[2]}")).json()
            served = {path for path, status in statuses.items() if status != 404}
            if definition["system"] or definition["type"]:
                assert paths[0] in served, (name, statuses)
            if definition["instance"] and type_ == "Patient":
                assert paths[1] in served, (name, statuses)
            if type_ and not definition["type"]:
                assert paths[0] not in served, (name, statuses)


@pytest.mark.conformance("G1")
async def test_patch_formats(integrator: AsyncClient) -> None:
    formats = (await integrator.get("/fhir/metadata")).json().get("patchFormat", [])
    patches = "patch" in {
        one["code"] for one in declared(await rest_of(integrator), "Patient")["interaction"]
    }
    assert bool(formats) == patches
    for format_, body in PATCHES.items():
        await integrator.put("/fhir/Patient/p", json={"resourceType": "Patient", "id": "p"})
        answer = await integrator.patch("/fhir/Patient/p", content=body, headers={"Content-Type": format_})
        if format_ in formats:
            assert answer.status_code == 200, (format_, answer.text)
        else:
            assert answer.status_code in {405, 415}, (format_, answer.text)


async def test_formats(integrator: AsyncClient) -> None:
    formats = (await integrator.get("/fhir/metadata")).json()["format"]
    for format_ in (
        "json",
        "xml",
        "ttl",
        "html",
        "application/fhir+json",
        "application/fhir+xml",
        "text/turtle",
    ):
        by_header = {"Accept": format_} if "/" in format_ else {}
        for ask in ({"params": {"_format": format_}}, {"headers": by_header}):
            answer = await integrator.get("/fhir/Patient", **ask)  # type: ignore[arg-type]
            wanted = 200 if format_ in formats or ask == {"headers": {}} else 406
            assert answer.status_code == wanted, (format_, ask)


SYSTEM: dict[str, Callable[[AsyncClient], Any]] = {
    "transaction": lambda client: client.post(
        "/fhir", json={"resourceType": "Bundle", "type": "transaction"}
    ),
    "batch": lambda client: client.post("/fhir", json={"resourceType": "Bundle", "type": "batch"}),
    "history-system": lambda client: client.get("/fhir/_history"),
    "search-system": lambda client: client.get("/fhir", params={"_type": "Patient,Goal", "_count": "0"}),
}


async def test_interactions_of_the_system(integrator: AsyncClient) -> None:
    codes = {one["code"] for one in (await rest_of(integrator))["interaction"]}
    assert codes <= SYSTEM.keys()
    for name, call in SYSTEM.items():
        answer = await call(integrator)
        assert answer.is_success if name in codes else answer.status_code in REFUSED, (name, answer.text)


@pytest.mark.conformance("D29")
async def test_compartments(integrator: AsyncClient) -> None:
    urls = set((await rest_of(integrator)).get("compartment", []))
    for name in ("Patient", "Encounter", "Practitioner", "RelatedPerson", "Device", "Organization"):
        answer = await integrator.get(f"/fhir/{name}/p/Observation", params={"_count": "0"})
        if f"http://hl7.org/fhir/CompartmentDefinition/{name.lower()}" in urls:
            assert answer.status_code == 200, (name, answer.text)
        else:
            assert answer.status_code == 404, (name, answer.text)


async def test_conditional_interactions_are_as_declared(integrator: AsyncClient) -> None:
    patient = declared(await rest_of(integrator), "Patient")
    body, where = (
        {"resourceType": "Patient", "identifier": [{"system": "urn:x", "value": "1"}]},
        "identifier=urn:x|1",
    )
    assert patient["updateCreate"]
    assert (
        await integrator.put("/fhir/Patient/new", json={"resourceType": "Patient", "id": "new"})
    ).status_code == 201
    assert patient["conditionalCreate"]
    statuses = [
        (await integrator.post("/fhir/Patient", json=body, headers={"If-None-Exist": where})).status_code
        for _ in range(2)
    ]
    assert statuses == [201, 200]
    assert patient["conditionalUpdate"]
    changed = await integrator.put(f"/fhir/Patient?{where}", json=body | {"active": True})
    assert changed.status_code == 200
    assert patient["conditionalRead"] == "full-support"
    path = f"/fhir/Patient/{changed.json()['id']}"
    for header, name in (("if-none-match", "etag"), ("if-modified-since", "last-modified")):
        assert (await integrator.get(path, headers={header: changed.headers[name]})).status_code == 304
    assert patient["conditionalDelete"] == "single"
    await integrator.post("/fhir/Patient", json=body)
    assert (await integrator.delete(f"/fhir/Patient?{where}")).status_code == 412
    assert patient["readHistory"]
    assert patient["versioning"] == "versioned"


async def test_the_statement_is_of_this_service(stranger: AsyncClient) -> None:
    body = (await stranger.get("/fhir/metadata")).json()
    assert (body["kind"], body["status"], body["fhirVersion"]) == ("instance", "active", "4.0.1")
    assert body["date"]
    claimed = body["instantiates"]
    assert claimed == [
        "http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data",
        "http://hl7.org/fhir/uv/subscriptions-backport/CapabilityStatement/backport-subscription-server-r4",
    ], "and no other"
    assert "implementationGuide" not in body

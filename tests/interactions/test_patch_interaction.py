"""Patches of stored resources, alone and inside Bundles."""

import asyncio
import json
from base64 import b64encode

import pytest

from service.errors import Forbidden, Gone, InvalidInput, NotFound, PreconditionFailed, RuleViolation
from service.fhir.json import parse
from service.interactions import patch as patches
from service.interactions import write

JSON = "application/json-patch+json"
SYSTEM = "http://x.example/ids"


def goal(number="1", **more):
    return {
        "resourceType": "Goal",
        "identifier": [{"system": SYSTEM, "value": number}],
        "lifecycleStatus": "active",
        "description": {"text": "HTEST"},
        "subject": {"reference": "Patient/p"},
        **more,
    }


def patch(client, url, *operations, format_=JSON, **more):
    body = json.dumps(operations).encode()
    return asyncio.run(patches.patch(client.store, url, format_, body, context=client.context, **more))


def op(name, path, **more):
    return {"op": name, "path": path, **more}


COMPLETED = op("replace", "/lifecycleStatus", value="completed")


@pytest.mark.conformance("B16", "A19")
def test_a_patch_writes_the_next_version_with_every_other_text_kept(client):
    sent = json.dumps(goal(target=[{"measure": {"text": "m"}, "detailQuantity": {"value": "#"}}]))
    content = sent.replace('"#"', "1.50").encode()
    client.create(goal())
    made = asyncio.run(write.create(client.store, "Goal", content, context=client.context))
    done = patch(client, f"Goal/{made.version.id}", COMPLETED)
    assert (done.outcome, done.version.version) == ("updated", 2)
    before, after = parse(made.version.content), parse(done.version.content)
    assert b'"value":1.50' in done.version.content
    assert {name for name in before if before[name] != after[name]} == {"meta", "lifecycleStatus"}
    assert client.search("Goal", ("lifecycle-status", "completed"))["total"] == 1
    assert client.search("Goal", ("lifecycle-status", "active"))["total"] == 1


@pytest.mark.conformance("B19")
def test_a_patch_that_changes_nothing_writes_nothing(client):
    client.update(goal(id="g"))
    done = patch(client, "Goal/g", op("test", "/lifecycleStatus", value="active"))
    assert (done.outcome, done.version.version) == ("unchanged", 1)
    assert len(client.history("Goal", "g")["entry"]) == 1


@pytest.mark.conformance("B16", "B19")
@pytest.mark.parametrize(
    "operations",
    [
        [COMPLETED, op("test", "/subject/reference", value="Patient/other")],
        [COMPLETED, op("remove", "/nothing")],
        [op("remove", "/subject")],
        [op("replace", "/lifecycleStatus", value=3)],
        [op("add", "/colour", value="x")],
        [op("replace", "/id", value="h")],
    ],
    ids=["test", "absent", "required", "type", "unknown", "identity"],
)
def test_a_patch_that_fails_changes_nothing(client, operations):
    client.update(goal(id="g"))
    with pytest.raises(RuleViolation):
        patch(client, "Goal/g", *operations)
    assert client.read("Goal", "g").version == 1


def test_the_place_of_what_is_not_valid_is_named(client):
    client.update(goal(id="g"))
    with pytest.raises(RuleViolation, match="After the patch") as refused:
        patch(client, "Goal/g", op("add", "/colour", value="x"))
    assert [issue.place.expression for issue in refused.value.issues] == ["Goal"]


@pytest.mark.conformance("B19")
def test_if_match_is_honoured_before_the_patch_is_tried(client):
    client.update(goal(id="g"))
    with pytest.raises(PreconditionFailed):
        patch(client, "Goal/g", op("remove", "/nothing"), if_match='W/"7"')
    assert patch(client, "Goal/g", COMPLETED, if_match='W/"1"').version.version == 2


def test_what_is_not_there_cannot_be_patched(client):
    with pytest.raises(NotFound):
        patch(client, "Goal/none", COMPLETED)
    client.update(goal(id="g"))
    client.delete("Goal", "g")
    with pytest.raises(Gone):
        patch(client, "Goal/g", COMPLETED)


@pytest.mark.conformance("B15")
@pytest.mark.published("FHIR R4 http.html, conditional patch: none 404, one is patched, several 412")
def test_conditional_patch(client):
    client.update(goal(id="g"))
    client.update(goal("2", id="h"))
    client.update(goal("2", id="i"))
    done = patch(client, f"Goal?identifier={SYSTEM}|1", COMPLETED)
    assert (done.version.id, done.version.version) == ("g", 2)
    with pytest.raises(NotFound):
        patch(client, f"Goal?identifier={SYSTEM}|3", COMPLETED)
    with pytest.raises(PreconditionFailed):
        patch(client, f"Goal?identifier={SYSTEM}|2", COMPLETED)
    with pytest.raises(InvalidInput):
        patch(client, "Goal?", COMPLETED)
    with pytest.raises(PreconditionFailed):
        patch(client, f"Goal?identifier={SYSTEM}|1", COMPLETED, if_match='W/"1"')


def test_a_patch_needs_the_right_to_update(client_with):
    asked = []

    def allow(action, type_):
        asked.append((action, type_))
        raise Forbidden("No.")

    with pytest.raises(Forbidden):
        patch(client_with(allow=allow), "Goal/g", COMPLETED)
    assert asked == [("u", "Goal")]


def binary(*operations):
    data = b64encode(json.dumps(operations).encode()).decode()
    return {"resourceType": "Binary", "contentType": JSON, "data": data}


def parameters(path, **value):
    part = [
        {"name": "type", "valueCode": "replace"},
        {"name": "path", "valueString": path},
        {"name": "value", **value},
    ]
    return {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": part}]}


def bundle(*entries, type_="transaction"):
    return {"resourceType": "Bundle", "type": type_, "entry": list(entries)}


def entry(method, url, resource, full_url="", **conditions):
    named = {"fullUrl": full_url} if full_url else {}
    return {**named, "resource": resource, "request": {"method": method, "url": url, **conditions}}


@pytest.mark.conformance("C10")
@pytest.mark.published("FHIR R4 http.html: JSON Patch in a Binary, FHIRPath Patch as Parameters")
def test_patches_in_a_transaction(client):
    client.update(goal(id="g"))
    client.update(goal("2", id="h"))
    new = "urn:uuid:9d3c9c1f-2a51-4f0b-9d4c-333333333333"
    answer = client.process(
        bundle(
            entry("PATCH", "Goal/g", binary(op("replace", "/subject/reference", value=new)), ifMatch='W/"1"'),
            entry(
                "PATCH",
                f"Goal?identifier={SYSTEM}|2",
                parameters("Goal.lifecycleStatus", valueCode="completed"),
            ),
            entry("POST", "Patient", {"resourceType": "Patient"}, new),
        ),
        prefer="representation",
    )
    first, second, third = answer["entry"]
    assert [one["response"]["status"][:3] for one in answer["entry"]] == ["200", "200", "201"]
    assert first["resource"]["subject"]["reference"] == f"Patient/{third['resource']['id']}"
    assert second["resource"]["lifecycleStatus"] == "completed"
    assert second["response"]["location"] == "Goal/h/_history/2"


@pytest.mark.conformance("C10")
def test_a_failing_patch_fails_the_transaction_and_only_its_entry_of_a_batch(client):
    client.update(goal(id="g"))
    entries = [
        entry("PATCH", "Goal/g", binary(op("test", "/id", value="other"))),
        entry("PUT", "Goal/h", goal("2", id="h")),
    ]
    with pytest.raises(RuleViolation, match="Entry 0"):
        client.process(bundle(*entries))
    with pytest.raises(NotFound):
        client.read("Goal", "h")
    answer = client.process(bundle(*entries, type_="batch"))
    assert [one["response"]["status"][:3] for one in answer["entry"]] == ["422", "201"]


def test_a_resource_is_not_patched_and_put_in_one_transaction(client):
    client.update(goal(id="g"))
    entries = [entry("PATCH", "Goal/g", binary(COMPLETED)), entry("PUT", "Goal/g", goal(id="g"))]
    with pytest.raises(InvalidInput, match="twice"):
        client.process(bundle(*entries))

"""What holds of every patch: the formats, what can't be changed, and the narrative."""

import json
from base64 import b64encode
from copy import deepcopy

import pytest

from service.errors import InvalidInput, RuleViolation
from service.fhir import xml_writer
from service.fhir.patch import PATCH_FORMATS, patch_of, patched, read_patch

JSON = "application/json-patch+json"
DIV = '<div xmlns="http://www.w3.org/1999/xhtml">HTEST</div>'
GOAL = {
    "resourceType": "Goal",
    "id": "g",
    "meta": {"versionId": "3", "lastUpdated": "2026-02-04T00:00:00Z"},
    "text": {"status": "generated", "div": DIV},
    "lifecycleStatus": "active",
    "description": {"text": "HTEST"},
    "subject": {"reference": "Patient/p"},
}
COMPLETED = {
    "resourceType": "Parameters",
    "parameter": [
        {
            "name": "operation",
            "part": [
                {"name": "type", "valueCode": "replace"},
                {"name": "path", "valueString": "Goal.lifecycleStatus"},
                {"name": "value", "valueCode": "completed"},
            ],
        }
    ],
}
XML_PATCH = b'<diff><replace sel="Goal/lifecycleStatus/@value">completed</replace></diff>'
BODIES = {
    JSON: b'[{"op":"replace","path":"/lifecycleStatus","value":"completed"}]',
    "application/fhir+json": json.dumps(COMPLETED).encode(),
    "application/json": json.dumps(COMPLETED).encode(),
    "application/fhir+xml": xml_writer.dump(COMPLETED),
    "application/xml-patch+xml": XML_PATCH,
}


def apply(*operations, goal=GOAL):
    return patched(goal, deepcopy(goal), read_patch(JSON, json.dumps(operations).encode()))


def op(name, path, **more):
    return {"op": name, "path": path, **more}


@pytest.mark.conformance("B16", "B17", "B18")
@pytest.mark.parametrize("format_", PATCH_FORMATS)
def test_each_format_does_the_same(format_):
    after = patched(GOAL, deepcopy(GOAL), read_patch(format_, BODIES[format_]))
    assert after == {name: value for name, value in GOAL.items() if name != "text"} | {
        "lifecycleStatus": "completed"
    }


@pytest.mark.conformance("C10")
@pytest.mark.parametrize("format_", PATCH_FORMATS)
def test_each_format_is_read_from_a_binary(format_):
    data = b64encode(BODIES[format_]).decode()
    patch = patch_of({"resourceType": "Binary", "contentType": format_, "data": f"{data[:10]}\n{data[10:]}"})
    assert patched(GOAL, deepcopy(GOAL), patch)["lifecycleStatus"] == "completed"


@pytest.mark.parametrize(
    "resource",
    [
        None,
        [],
        {"resourceType": "Goal"},
        {"resourceType": "Binary"},
        {"resourceType": "Binary", "contentType": "text/plain", "data": "YQ=="},
        {"resourceType": "Binary", "contentType": ["x"], "data": "YQ=="},
        {"resourceType": "Binary", "contentType": JSON, "data": "?"},
        {"resourceType": "Binary", "contentType": JSON, "data": "YQ=="},
    ],
)
def test_an_entry_without_a_patch_is_refused(resource):
    with pytest.raises(InvalidInput):
        patch_of(resource)


@pytest.mark.conformance("B19")
@pytest.mark.published("FHIR R4 http.html, patch: the identity of a resource stays")
@pytest.mark.parametrize(
    ("operation", "expression"),
    [
        (op("replace", "/id", value="other"), "Goal.id"),
        (op("remove", "/id"), "Goal.id"),
        (op("replace", "/resourceType", value="Basic"), "Goal.resourceType"),
        (op("replace", "/meta/versionId", value="9"), "Goal.meta.versionId"),
        (op("replace", "/meta", value={"lastUpdated": "2020-01-01T00:00:00Z"}), "Goal.meta.lastUpdated"),
        (op("add", "", value={"resourceType": "Goal", "id": "h"}), "Goal.id"),
    ],
)
def test_what_the_service_sets_stays(operation, expression):
    with pytest.raises(RuleViolation) as refused:
        apply(operation)
    assert [issue.place.expression for issue in refused.value.issues] == [expression]


def test_labels_can_be_added_where_there_were_none():
    after = apply(op("add", "/meta/tag", value=[{"code": "a"}]))
    assert after["meta"] == GOAL["meta"] | {"tag": [{"code": "a"}]}
    bare = {name: value for name, value in GOAL.items() if name != "meta"}
    assert apply(op("add", "/meta", value={"tag": [{"code": "a"}]}), goal=bare)["meta"] == {
        "tag": [{"code": "a"}]
    }


def test_what_is_no_object_is_no_resource():
    with pytest.raises(RuleViolation, match="no resource"):
        apply(op("replace", "", value=[1]))


STATUS = op("replace", "/lifecycleStatus", value="completed")


@pytest.mark.conformance("B19")
@pytest.mark.parametrize(
    ("status", "operations", "stays"),
    [
        ("generated", [STATUS], False),
        ("extensions", [STATUS], False),
        ("additional", [STATUS], True),
        ("generated", [op("add", "/meta/tag", value=[{"code": "a"}])], True),
        ("generated", [op("test", "/id", value="g")], True),
        ("generated", [STATUS, op("replace", "/lifecycleStatus", value="active")], True),
        ("generated", [STATUS, op("replace", "/text/div", value=DIV.replace("HTEST", "HTEST done"))], True),
    ],
)
def test_a_narrative_that_may_be_untrue_is_left_out(status, operations, stays):
    goal = GOAL | {"text": {"status": status, "div": DIV}}
    after = apply(*operations, goal=goal)
    assert ("text" in after) is stays
    assert after.keys() | {"text"} == GOAL.keys()

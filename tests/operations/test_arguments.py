import json

import pytest

from service.errors import InvalidInput
from service.fhir.canonical import operation_definition
from service.fhir.validation import errors
from service.operations.arguments import arguments, definition, definitions


def body(*parameters):
    return json.dumps({"resourceType": "Parameters", "parameter": list(parameters)}).encode()


@pytest.mark.parametrize("name", definitions())
def test_every_definition_is_valid_and_has_its_own_name(name):
    tree = definition(name)
    assert errors(tree) == ()
    assert (tree["id"], tree["url"]) == (name, operation_definition(name))


def test_address_and_body_hold_together():
    found = arguments(
        "patient-everything",
        [("start", "2026-01-01"), ("_type", "Goal")],
        body({"name": "_count", "valueInteger": 5}, {"name": "_type", "valueCode": "Observation"}),
    )
    assert found == {"start": ["2026-01-01"], "_count": ["5"], "_type": ["Goal", "Observation"]}


def test_nothing_given_is_nothing_found():
    assert arguments("patient-everything", []) == arguments("patient-everything", [], b" ") == {}


@pytest.mark.parametrize(
    ("query", "sent", "sentence"),
    [
        ([("begin", "2026")], b"", "'begin' is not a parameter of this operation; there is: start"),
        ([("_count", "x")], b"", "'_count' must be of type integer"),
        ([("_count", "1"), ("_count", "2")], b"", "Give '_count' at most 1"),
        ([], body({"name": "_count", "valueString": "5"}), "must be of type integer"),
        ([], body({"name": "start", "valueDateTime": "2026-01-01"}), "must be of type date"),
        ([], b'{"resourceType":"Patient"}', "must be a Parameters"),
        ([], b"[1]", "must be one object"),
    ],
)
def test_what_cannot_be_used_is_told(query, sent, sentence):
    with pytest.raises(InvalidInput, match=sentence):
        arguments("patient-everything", query, sent)


def test_a_complex_value_comes_in_a_body_alone():
    meta = {"tag": [{"code": "x"}]}
    assert arguments("meta-add", [], body({"name": "meta", "valueMeta": meta})) == {"meta": [meta]}
    with pytest.raises(InvalidInput, match="must be of type Meta"):
        arguments("meta-add", [("meta", "x")])


def test_every_problem_is_told_at_once():
    with pytest.raises(InvalidInput) as refused:
        arguments("meta-add", [("a", "1"), ("b", "2")])
    assert [issue.place.expression for issue in refused.value.issues] == ["http.a", "http.b", "http.meta"]

"""Odd terminology resources: whatever passes validation is worked with, and answered below 500."""

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from httpx import AsyncClient

from service.fhir.json import parse
from service.fhir.validation import errors

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("L7")]

SYSTEM = {
    "resourceType": "CodeSystem",
    "url": "urn:s",
    "status": "active",
    "content": "complete",
    "caseSensitive": True,
    "version": "1",
    "property": [{"code": "status", "type": "code"}],
    "concept": [
        {
            "code": "a",
            "display": "A",
            "definition": "The first.",
            "designation": [{"language": "de", "use": {"system": "urn:u", "code": "u"}, "value": "Ah"}],
            "property": [{"code": "parent", "valueCode": "b"}, {"code": "status", "valueCode": "retired"}],
            "concept": [{"code": "b"}],
        }
    ],
}
SET = {
    "resourceType": "ValueSet",
    "url": "urn:v",
    "status": "active",
    "compose": {
        "inactive": False,
        "include": [
            {"system": "urn:s", "filter": [{"property": "concept", "op": "is-a", "value": "a"}]},
            {"system": "urn:t", "concept": [{"code": "c", "display": "C", "designation": [{"value": "Ce"}]}]},
            {"valueSet": ["http://hl7.org/fhir/ValueSet/link-type"]},
        ],
        "exclude": [{"system": "urn:t", "concept": [{"code": "d"}]}],
    },
}
EXPANDED = {
    "resourceType": "ValueSet",
    "url": "urn:e",
    "status": "active",
    "expansion": {
        "timestamp": "2026-01-01T00:00:00Z",
        "contains": [{"system": "urn:s", "code": "a", "contains": [{"system": "urn:s", "code": "b"}]}],
    },
}
MAP = {
    "resourceType": "ConceptMap",
    "url": "urn:m",
    "status": "active",
    "sourceUri": "urn:v",
    "targetUri": "urn:w",
    "group": [
        {
            "source": "urn:s",
            "target": "urn:t",
            "element": [{"code": "a", "target": [{"code": "c", "display": "C", "equivalence": "equal"}]}],
            "unmapped": {"mode": "fixed", "code": "x", "display": "X"},
        }
    ],
}
ABSENT = {
    "extension": [
        {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
    ]
}


def paths(node: Any, here: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(node, dict):
        for name, value in node.items():
            yield (*here, name)
            yield from paths(value, (*here, name))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield (*here, index)
            yield from paths(value, (*here, index))


def changed(tree: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Leave each element out; and where it is a primitive, say only that its value is not known."""
    for path in paths(tree):
        for absent in (False, True):
            copy = deepcopy(tree)
            parent: Any = copy
            for step in path[:-1]:
                parent = parent[step]
            value, last = parent[path[-1]], path[-1]
            if absent and (isinstance(value, (dict, list)) or last == "resourceType"):
                continue
            if absent and isinstance(last, int):
                holder: Any = copy
                for step in path[:-2]:
                    holder = holder[step]
                holder[path[-2]], holder[f"_{path[-2]}"] = [None], [ABSENT]
            else:
                del parent[last]
                if absent:
                    parent[f"_{last}"] = ABSENT
            yield copy


CASES = [
    (kind, one)
    for kind, tree in (("s", SYSTEM), ("v", SET), ("e", EXPANDED), ("m", MAP))
    for one in changed(tree)
]
VALID = [case for case in CASES if case[1].get("resourceType") and not errors(case[1])]
ASKED = {
    "s": [
        ("CodeSystem/{}/$validate-code", "code=a"),
        ("CodeSystem/{}/$subsumes", "codeA=a&codeB=b"),
        ("CodeSystem/$lookup", "system=urn:s&code=a"),
        ("CodeSystem/$lookup", "system=urn:s&code=b&displayLanguage=de"),
    ],
    "v": [
        ("ValueSet/{}/$expand", "includeDesignations=true&displayLanguage=de&filter=c"),
        ("ValueSet/{}/$expand", "activeOnly=true"),
        ("ValueSet/{}/$validate-code", "system=urn:t&code=c&display=C"),
    ],
    "m": [
        ("ConceptMap/{}/$translate", "system=urn:s&code=a"),
        ("ConceptMap/{}/$translate", "system=urn:s&code=q"),
        ("ConceptMap/{}/$translate", "system=urn:t&code=c&reverse=true"),
    ],
}
ASKED["e"] = ASKED["v"]


async def test_nothing_that_is_valid_breaks_the_service(integrator: AsyncClient) -> None:
    assert len(VALID) > 60
    answer = await integrator.put("/fhir/CodeSystem/base", json=SYSTEM | {"id": "base"})
    assert answer.is_success
    for number, (kind, tree) in enumerate(VALID):
        id_ = f"x{number}" if kind != "s" else "base"
        address = f"/fhir/{tree['resourceType']}/{id_}"
        stored = await integrator.put(address, json=tree | {"id": id_})
        assert stored.is_success, stored.text
        for path, query in ASKED[kind]:
            answer = await integrator.get(f"/fhir/{path.format(id_)}?{query}")
            assert answer.status_code < 500, (path, query, tree)
            if answer.is_success:
                assert errors(parse(answer.content)) == (), (path, query, tree)

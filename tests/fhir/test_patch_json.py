"""JSON Patch: the published suite, and what it does not ask."""

import json
import time
from pathlib import Path

import pytest

from service.errors import InvalidInput, RuleViolation
from service.fhir.json import dump, parse
from service.fhir.patch_json import json_patch

SUITE = Path(__file__).parents[2] / ".cache" / "json-patch-tests" / "package"


def cases():
    if not SUITE.is_dir():
        raise FileNotFoundError("The JSON Patch tests are not there; run: make .cache/json-patch-tests")
    return [
        case
        for name in ("spec_tests.json", "tests.json")
        for case in json.loads((SUITE / name).read_bytes())
        if "patch" in case
    ]


@pytest.mark.conformance("B16")
@pytest.mark.published("json-patch-test-suite 1.1.0 (RFC 6902, appendix A and more)")
def test_the_published_suite(tell):
    ran = 0
    for case in cases():
        if case.get("disabled"):
            continue
        told = case.get("comment") or json.dumps(case["patch"])
        try:
            result = json_patch(json.dumps(case["patch"]))(case["doc"])
        except (InvalidInput, RuleViolation):
            assert "expected" not in case, told
        else:
            assert "error" not in case, told
            assert json.dumps(result, sort_keys=True) == json.dumps(
                case.get("expected", result), sort_keys=True
            ), told
        ran += 1
    assert ran > 85
    tell(f"{ran} tests of the published JSON Patch suite pass")


@pytest.mark.conformance("B16", "A19")
def test_numbers_keep_their_text():
    tree = parse(b'{"a":72.50,"b":[1.0E2,0.00000001]}')
    patch = (
        b'[{"op":"copy","from":"/b/0","path":"/c"},{"op":"move","from":"/a","path":"/b/-"},'
        b'{"op":"add","path":"/d","value":{"e":3.10}},{"op":"test","path":"/c","value":100},'
        b'{"op":"copy","from":"/b","path":"/f"}]'
    )
    assert dump(json_patch(patch)(tree)) == (
        b'{"b":[1.0E2,0.00000001,72.50],"c":1.0E2,"d":{"e":3.10},"f":[1.0E2,0.00000001,72.50]}'
    )


@pytest.mark.conformance("B16")
@pytest.mark.parametrize(
    ("value", "other"), [("1", "true"), ("0", "false"), ('"1"', "1"), ("null", "0"), ("[1]", "[true]")]
)
def test_a_test_tells_kinds_apart(value, other):
    patch = json_patch(f'[{{"op":"test","path":"/a","value":{value}}}]')
    assert patch(parse(f'{{"a":{value}}}'))
    with pytest.raises(RuleViolation, match="Operation 0"):
        patch(parse(f'{{"a":{other}}}'))


@pytest.mark.conformance("B16")
@pytest.mark.parametrize(
    "patch",
    [
        b"{}",
        b"",
        b"[1]",
        b'[{"path":"/a"}]',
        b'[{"op":"spam","path":"/a"}]',
        b'[{"op":"add","path":"/a"}]',
        b'[{"op":"move","path":"/a"}]',
        b'[{"op":"remove","path":"a"}]',
        b'[{"op":"remove","path":"/a~2"}]',
        b'[{"op":"remove","path":3}]',
        b'[{"op":["add"],"path":"/a"}]',
        b'[{"op":"add","op":"remove","path":"/a","value":1}]',
    ],
)
def test_what_is_no_patch_is_refused(patch):
    with pytest.raises(InvalidInput):
        json_patch(patch)


def test_every_fault_is_told_with_its_place():
    with pytest.raises(InvalidInput) as refused:
        json_patch(b'[{"op":"spam","path":""},{"op":"test","path":"/a","value":1},{"op":"add","path":"/a"}]')
    assert [issue.place.pointer for issue in refused.value.issues] == ["/0", "/2"]


def test_copying_does_not_grow_without_end():
    double = [{"op": "copy", "from": "", "path": "/a"}, {"op": "copy", "from": "/a", "path": "/b"}] * 500
    began = time.perf_counter()
    with pytest.raises(RuleViolation, match=r"too much|too deep"):
        json_patch(json.dumps(double))({"x": "y" * 1_000})
    assert time.perf_counter() - began < 5


def test_the_patch_can_be_used_again():
    patch = json_patch(b'[{"op":"add","path":"/a","value":[]},{"op":"add","path":"/a/-","value":1}]')
    assert patch({}) == patch({}) == {"a": [1]}

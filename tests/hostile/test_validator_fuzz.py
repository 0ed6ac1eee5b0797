"""Whatever is sent to the validator, it answers with issues: never an exception, never long."""

import random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutations import FOLDER, JUNK, MOST_MILLISECONDS, Borne, bear, spoil_for

from service.errors import InvalidInput
from service.fhir import xml
from service.fhir.elements import elements, is_resource, resource_types
from service.fhir.json import parse
from service.fhir.validation import check
from service.fhir.xml_writer import dump as dump_xml

SECONDS = 20
SEED = 20_261_125
pytestmark = pytest.mark.conformance("L7")


ONCE_NOT_BORNE: list[dict[str, Any]] = [
    {"resourceType": "Bundle", "type": [], "entry": [{"resource": {"resourceType": "Patient"}}]},
    {"resourceType": "Bundle", "type": {"x": 1}, "entry": {"x": 1}},
    {"resourceType": "SupplyDelivery", "type": {"coding": [True]}},
    {
        "resourceType": "AdverseEvent",
        "category": [{"coding": [5, None, {}]}],
        "seriousness": {"coding": [1.5]},
    },
    {
        "resourceType": "StructureDefinition",
        "snapshot": {"element": [{"path": "A.b", "type": 0, "fixedUri": "u"}]},
    },
    {"resourceType": "Patient", "extension": [{"url": " ", "valueInteger": 1}], "name": {"\x1f": None}},
]


@pytest.mark.parametrize("tree", ONCE_NOT_BORNE)
def test_what_was_not_borne_once_is_borne(tree: dict[str, Any]) -> None:
    bear(tree, Borne())


def test_spoilt_examples_are_borne(tell: Any) -> None:
    borne = spoil_for(SECONDS, SEED)
    tell(borne.sentence())
    assert borne.wrong > borne.tried / 3, "most changes are faults"
    assert borne.slowest < MOST_MILLISECONDS, borne.where


MARKS = "{}[],:\"\\/ \n0-.eEtfn<>&;='é\u2028"


def turned(text: str, chance: random.Random) -> str:
    """A text with one to three characters put in, left out or changed."""
    for _ in range(chance.randint(1, 3)):
        place = chance.randrange(len(text))
        text = text[:place] + chance.choice(("", *MARKS)) + text[place + chance.randint(0, 2) :]
    return text


@pytest.mark.parametrize("form", ["JSON", "XML"])
def test_spoilt_texts_are_read_or_told_where_they_break(form: str, tell: Any) -> None:
    chance = random.Random(SEED)  # noqa: S311 - to be repeated, not to be unforeseeable
    read = parse if form == "JSON" else xml.parse
    files = [path for path in sorted(FOLDER.glob("*.json")) if path.stat().st_size <= 4_000]
    broken = 0
    for path in chance.sample(files, 400):
        original = path.read_bytes()
        text = (original if form == "JSON" else dump_xml(parse(original))).decode()
        spoilt = turned(text, chance)
        try:
            check(read(spoilt.encode()))
        except InvalidInput as error:
            broken += 1
            for issue in error.issues:
                assert 1 <= (issue.place.line or 1) <= spoilt.count("\n") + 1
                type_ = issue.place.expression.partition(".")[0].partition("[")[0]
                assert not type_ or is_resource(type_), issue
    assert broken > 100
    tell(f"400 {form} texts spoilt by characters: {broken} can't be read and say where, the rest are judged")


_LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.decimals(allow_nan=False, allow_infinity=False, places=2).map(float),
    st.text(max_size=20),
    st.sampled_from([one for one in JUNK if not isinstance(one, (list, dict))]),
)


@st.composite
def resources(draw: st.DrawFn) -> dict[str, Any]:
    """A resource of some type, its elements filled with anything, or with parts filled in the same way."""
    type_ = draw(st.sampled_from(resource_types()))
    return {"resourceType": type_} | draw(_parts(type_, 3))


def _parts(type_: str, levels: int) -> st.SearchStrategy[dict[str, Any]]:
    known = elements(type_)
    names = st.lists(st.sampled_from(sorted(known)), max_size=5, unique=True) if known else st.just([])

    def filled(chosen: list[str]) -> st.SearchStrategy[dict[str, Any]]:
        return st.fixed_dictionaries({name: _value(known[name].type, levels) for name in chosen})

    return names.flatmap(filled)


def _value(type_: str, levels: int) -> st.SearchStrategy[Any]:
    if levels == 0 or not elements(type_):
        return _LEAVES | st.lists(_LEAVES, max_size=2)
    one = st.deferred(lambda: _parts(type_, levels - 1))
    return one | st.lists(one, min_size=1, max_size=3) | _LEAVES


@settings(
    max_examples=400,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
    database=None,
)
@given(resources())
def test_made_up_resources_are_borne(tree: dict[str, Any]) -> None:
    bear(tree, Borne())


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(st.recursive(_LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=5), inner)))
def test_any_json_is_borne(tree: Any) -> None:
    bear(tree, Borne())
    bear({"resourceType": "Patient", "name": tree, "extension": [tree], "_active": tree}, Borne())
    bear({"resourceType": tree}, Borne())

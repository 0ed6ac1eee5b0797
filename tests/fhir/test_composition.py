"""What definitions of value sets mean: includes, filters, excludes, and what can't be told."""

from datetime import UTC, datetime

import pytest

from service.errors import TooManyCodes
from service.fhir import composition as module
from service.fhir.code_systems import CodeSystem
from service.fhir.composition import Composition

TREE = CodeSystem(
    {
        "url": "urn:tree",
        "content": "complete",
        "caseSensitive": True,
        "concept": [
            {"code": "animal", "property": [{"code": "notSelectable", "valueBoolean": True}]},
            {
                "code": "cat",
                "property": [{"code": "parent", "valueCode": "animal"}, {"code": "legs", "valueInteger": 4}],
            },
            {
                "code": "bird",
                "property": [{"code": "parent", "valueCode": "animal"}, {"code": "legs", "valueInteger": 2}],
            },
            {
                "code": "duck",
                "property": [
                    {"code": "parent", "valueCode": "bird"},
                    {"code": "swims", "valueBoolean": True},
                ],
            },
            {
                "code": "dodo",
                "property": [
                    {"code": "parent", "valueCode": "bird"},
                    {"code": "inactive", "valueBoolean": True},
                ],
            },
        ],
    }
)
PART = CodeSystem({"url": "urn:part", "content": "fragment", "concept": [{"code": "x"}, {"code": "y"}]})
MORE = CodeSystem(
    {"url": "urn:more", "supplements": "urn:base", "content": "supplement", "concept": [{"code": "k"}]}
)


SYSTEMS = {"urn:tree": TREE, "urn:part": PART, "urn:base": MORE}


def filtered(property_, op, value, system="urn:tree"):
    return {"system": system, "filter": [{"property": property_, "op": op, "value": value}]}


SETS = {
    "urn:birds": {"compose": {"include": [filtered("concept", "is-a", "bird")]}},
    "urn:swimmers": {"compose": {"include": [filtered("swims", "=", "true")]}},
}
CATS_AND_DUCKS = {"system": "urn:tree", "concept": [{"code": "cat"}, {"code": "duck"}]}


class Shelf:
    """Code systems and value sets at hand."""

    def code_system(self, url, /):
        return SYSTEMS.get(url)

    def value_set(self, canonical, /):
        return SETS.get(canonical)


@pytest.mark.published("FHIR R4 valueset-filter-operator: what each operation means")
@pytest.mark.parametrize(
    ("include", "codes"),
    [
        ({"system": "urn:tree"}, "cat bird duck dodo"),
        ({"system": "urn:tree", "concept": [{"code": "animal"}, {"code": "cat"}]}, "animal cat"),
        (filtered("concept", "is-a", "bird"), "bird duck dodo"),
        (filtered("concept", "descendent-of", "bird"), "duck dodo"),
        (filtered("concept", "is-not-a", "bird"), "cat"),
        (filtered("concept", "generalizes", "duck"), "bird duck"),
        (filtered("concept", "in", "cat, duck"), "cat duck"),
        (filtered("code", "not-in", "cat,duck"), "bird dodo"),
        (filtered("concept", "=", "cat"), "cat"),
        (filtered("legs", "=", "4"), "cat"),
        (filtered("legs", "in", "2,4"), "cat bird"),
        (filtered("legs", "exists", "false"), "duck dodo"),
        (filtered("swims", "=", "true"), "duck"),
        (filtered("parent", "=", "bird"), "duck dodo"),
        (filtered("concept", "regex", "c.*"), None),
        ({"valueSet": ["urn:birds", "urn:swimmers"]}, "duck"),
        (CATS_AND_DUCKS | {"valueSet": ["urn:birds"]}, "duck"),
        ({"valueSet": ["urn:nowhere"]}, None),
        ({"system": "urn:part"}, "x y"),
        ({"system": "urn:base"}, None),
        ({"system": "urn:base", "concept": [{"code": "z"}]}, "z"),
        ({"system": "urn:elsewhere"}, None),
    ],
)  # fmt: skip
def test_listing_and_asking_agree(include, codes):
    tree = {"compose": {"include": [include]}}
    listed = Composition(Shelf()).members(tree)
    assert listed is None if codes is None else [code for _, code in listed] == codes.split()
    for system, known in SYSTEMS.items():
        for code in known.concepts if codes is not None else ():
            answer = Composition(Shelf()).holds(tree, system, code)
            assert answer is ((system, code) in listed), code


def test_excludes_and_inactive_codes():
    compose = {"include": [{"system": "urn:tree"}], "exclude": [{"valueSet": ["urn:swimmers"]}]}
    assert [code for _, code in Composition(Shelf()).members({"compose": compose})] == ["cat", "bird", "dodo"]
    assert Composition(Shelf()).holds({"compose": compose}, "urn:tree", "duck") is False
    active = compose | {"inactive": False}
    assert [code for _, code in Composition(Shelf()).members({"compose": active})] == ["cat", "bird"]
    unknown = compose | {"exclude": [{"system": "urn:elsewhere"}]}
    assert Composition(Shelf()).members({"compose": unknown}) is None
    assert Composition(Shelf()).holds({"compose": unknown}, "urn:tree", "cat") is True, "of another system"


@pytest.mark.parametrize(
    ("include", "system", "code", "answer", "missing"),
    [
        ({"system": "urn:elsewhere"}, "urn:elsewhere", "a", None, ["urn:elsewhere"]),
        ({"system": "urn:elsewhere"}, "urn:tree", "cat", False, []),
        ({"system": "urn:part"}, "urn:part", "z", None, ["urn:part"]),
        ({"system": "urn:base"}, "urn:base", "k", True, []),
        ({"system": "urn:base"}, "urn:base", "z", None, ["urn:base"]),
        ({"valueSet": ["urn:nowhere"]}, "urn:tree", "cat", None, ["urn:nowhere"]),
        ({"system": "urn:tree"}, "", "cat", True, []),
        ({"system": "urn:tree"}, "", "cow", False, []),
    ],
)
def test_what_cannot_be_told_names_what_is_missing(include, system, code, answer, missing):
    composition = Composition(Shelf())
    assert composition.holds({"compose": {"include": [include]}}, system, code) is answer
    assert list(composition.missing) == missing


def test_a_filter_on_part_of_a_system_is_never_a_no():
    tree = {
        "compose": {
            "include": [
                {"system": "urn:part", "filter": [{"property": "concept", "op": "is-a", "value": "x"}]}
            ]
        }
    }
    assert Composition(Shelf()).holds(tree, "urn:part", "x") is True
    assert Composition(Shelf()).holds(tree, "urn:part", "y") is None


def test_only_sets_of_whole_systems_are_closed():
    closed = {"urn:tree": True, "urn:part": False, "urn:elsewhere": False}
    for system, answer in closed.items():
        assert Composition(Shelf()).closed({"compose": {"include": [{"system": system}]}}) is answer
    assert Composition(Shelf()).closed({"compose": {"include": [{"valueSet": ["urn:birds"]}]}})
    assert Composition(Shelf()).closed(
        {"compose": {"include": [{"system": "urn:part", "concept": [{"code": "x"}]}]}}
    )


def test_an_expansion_without_definition_is_taken_as_it_is():
    nested = {
        "code": "a",
        "system": "urn:x",
        "abstract": True,
        "contains": [{"code": "b", "system": "urn:x"}],
    }
    tree = {"expansion": {"contains": [nested, {"code": "c", "system": "urn:y"}]}}
    assert list(Composition(Shelf()).members(tree)) == [("urn:x", "b"), ("urn:y", "c")]
    assert Composition(Shelf()).holds(tree, "urn:x", "b") is True
    assert Composition(Shelf()).holds(tree, "urn:x", "c") is False


def test_work_is_bounded(monkeypatch):
    monkeypatch.setattr(module, "_MOST", 50)
    tree = {"compose": {"include": [{"system": "urn:tree"}] * 20}}
    with pytest.raises(TooManyCodes, match="more than 50 concepts"):
        Composition(Shelf()).members(tree)


def test_a_wide_and_deep_set_of_sets_is_worked_out_once_each():
    class Ladder(Shelf):
        def value_set(self, canonical, /):
            n = int(canonical)
            inner = (
                {"include": [{"valueSet": [str(n - 1)]}] * 10} if n else {"include": [{"system": "urn:tree"}]}
            )
            return {"compose": inner}

    started = datetime.now(UTC)
    composition = Composition(Ladder())
    assert len(composition.members(Ladder().value_set("40"))) == 4
    assert composition.holds(Ladder().value_set("40"), "urn:tree", "cat") is True
    assert (datetime.now(UTC) - started).total_seconds() < 5

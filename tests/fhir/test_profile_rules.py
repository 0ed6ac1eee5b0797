"""What a profile says of single elements: number, value, type, codes, references, invariants."""

from typing import Any

import pytest
from written_profiles import BASE, ROOT, at, extension, faults, known, listed, profile, value_set

from service.errors import Severity
from service.fhir.validation.profiles import (
    absent_must_support,
    check_extensions,
    check_profiles,
    profile_checker,
)

TEETH = "http://example.org/teeth"
SIDES = value_set("sides", listed(TEETH, "left", "right"))
ANY_SIDE = value_set("any-side", {"valueSet": [SIDES["url"]]}, listed(TEETH, "both"))
UNKNOWN = value_set("unknown", {"system": "http://example.org/elsewhere"})
Tree = dict[str, Any]


def observation(**more: Any) -> Tree:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "bite"}, **more}


def concept(code: str, system: str = TEETH) -> Tree:
    return {"coding": [{"system": system, "code": code}]}


def bound(strength: str, name: str = "sides", **more: Any) -> Tree:
    return {"binding": {"strength": strength, "valueSet": f"http://example.org/fhir/ValueSet/{name}", **more}}


WIDEST = [
    {
        "url": f"{BASE}elementdefinition-maxValueSet",
        "valueCanonical": "http://example.org/fhir/ValueSet/any-side",
    }
]

ELEMENTS: dict[str, tuple[Tree, Tree, Tree, str]] = {
    "required": (at("Observation.subject", min=1), {"subject": {"reference": "Patient/1"}}, {}, ".subject"),
    "a choice required": (at("Observation.value[x]", min=1), {"valueString": "x"}, {}, ".value"),
    "twice": (
        at("Observation.note", min=2),
        {"note": [{"text": "a"}] * 2},
        {"note": [{"text": "a"}]},
        ".note",
    ),
    "once": (
        at("Observation.note", max="1"),
        {"note": [{"text": "a"}]},
        {"note": [{"text": "a"}] * 2},
        ".note[1]",
    ),
    "prohibited": (at("Observation.bodySite", max="0"), {}, {"bodySite": {"text": "x"}}, ".bodySite"),
    "only an extension": (
        at("Observation.issued", min=1),
        {"_issued": {"extension": [{"url": "http://example.org/why", "valueString": "lost"}]}},
        {},
        ".issued",
    ),
    "deep": (
        at("Observation.code.coding.display", min=1),
        {"code": {"coding": [{"code": "a", "display": "A"}]}},
        {"code": {"coding": [{"code": "a", "display": "A"}, {"code": "b"}]}},
        ".code.coding[1].display",
    ),
    "fixed code": (at("Observation.status", fixedCode="final"), {}, {"status": "amended"}, ".status"),
    "fixed concept": (
        at("Observation.code", fixedCodeableConcept=concept("left")),
        {"code": concept("left")},
        {"code": {**concept("left"), "text": "Left"}},
        ".code",
    ),
    "pattern": (
        at("Observation.code", patternCodeableConcept=concept("left")),
        {
            "code": {
                "coding": [{"code": "x"}, {"system": TEETH, "code": "left", "display": "L"}],
                "text": "Left",
            }
        },
        {"code": concept("right")},
        ".code",
    ),
    "pattern of a number": (
        at("Observation.value[x]", patternQuantity={"value": 1.5}),
        {"valueQuantity": {"value": 1.50, "unit": "N"}},
        {"valueQuantity": {"value": 2}},
        ".valueQuantity",
    ),
    "type": (
        at("Observation.value[x]", type=[{"code": "Quantity"}, {"code": "string"}]),
        {"valueString": "x"},
        {"valueBoolean": True},
        ".valueBoolean",
    ),
    "length": (
        at("Observation.value[x]", type=[{"code": "string"}], maxLength=3),
        {"valueString": "abc"},
        {"valueString": "abcd"},
        ".valueString",
    ),
    "smallest": (
        at("Observation.effective[x]", minValueDateTime="2020-01-01"),
        {"effectiveDateTime": "2020-01-01T00:00:00Z"},
        {"effectiveDateTime": "2019"},
        ".effectiveDateTime",
    ),
    "largest": (
        at("Observation.value[x]", maxValueQuantity={"value": 10, "system": "http://x", "code": "N"}),
        {"valueQuantity": {"value": 10, "system": "http://x", "code": "N"}},
        {"valueQuantity": {"value": 11, "system": "http://x", "code": "N"}},
        ".valueQuantity",
    ),
    "a reference's type": (
        at("Observation.subject", type=[{"code": "Reference", "targetProfile": [f"{BASE}Patient"]}]),
        {"subject": {"reference": "https://example.org/fhir/Patient/1/_history/2"}},
        {"subject": {"reference": "Group/1"}},
        ".subject",
    ),
    "a reference's type, told": (
        at("Observation.subject", type=[{"code": "Reference", "targetProfile": [f"{BASE}Patient"]}]),
        {"subject": {"type": "Patient", "display": "P."}},
        {"subject": {"type": "Group", "identifier": {"value": "1"}}},
        ".subject",
    ),
    "required code": (
        at("Observation.method", **bound("required")),
        {"method": {"coding": [{"code": "x", "system": TEETH}, {"system": TEETH, "code": "left"}]}},
        {"method": concept("both")},
        ".method",
    ),
    "required code, only text": (
        at("Observation.method", **bound("required")),
        {"method": concept("right")},
        {"method": {"text": "right"}},
        ".method",
    ),
    "required code of a set of sets": (
        at("Observation.method", **bound("required", "any-side")),
        {"method": concept("both")},
        {"method": concept("none")},
        ".method",
    ),
    "system of a code": (
        at("Observation.method", **bound("required")),
        {"method": concept("left")},
        {"method": concept("left", "http://example.org/other")},
        ".method",
    ),
    "widest value set": (
        at("Observation.method", **bound("extensible", extension=WIDEST)),
        {"method": {"text": "something else"}},
        {"method": concept("none")},
        ".method",
    ),
    "invariant": (
        at(
            "Observation.component",
            constraint=[
                {
                    "key": "bite-1",
                    "severity": "error",
                    "human": "A force needs a unit",
                    "expression": "value.ofType(Quantity).exists() implies value.unit.exists()",
                }
            ],
        ),
        {"component": [{"code": concept("left"), "valueQuantity": {"value": 1, "unit": "N"}}]},
        {"component": [{"code": concept("left")}, {"code": concept("left"), "valueQuantity": {"value": 1}}]},
        ".component[1]",
    ),
}


@pytest.mark.conformance("E7")
@pytest.mark.published("FHIR R4 elementdefinition.html, profiling.html: what an element of a profile may say")
@pytest.mark.parametrize("case", ELEMENTS)
def test_what_an_element_says(case):
    element, right, wrong, path = ELEMENTS[case]
    definitions = (profile("Bite", "Observation", element), SIDES, ANY_SIDE)
    assert faults(observation(**right), *definitions) == []
    found = faults(observation(**wrong), *definitions)
    assert [where for where, _ in found][:1] == [path]
    key = "bite-1" if case == "invariant" else element["id"]
    assert {rule for _, rule in found} == {f"Bite#{key}"}


def test_an_extensible_binding_warns_and_an_undecided_one_is_silent():
    extensible = profile("Bite", "Observation", at("Observation.method", **bound("extensible")))
    found = check_profiles(observation(method=concept("both")), [extensible["url"]], known(extensible, SIDES))
    assert [(one.path, one.severity) for one in found] == [(".method", Severity.WARNING)]
    undecided = profile("Bite", "Observation", at("Observation.method", **bound("required", "unknown")))
    assert faults(observation(method=concept("x", "http://example.org/elsewhere")), undecided, UNKNOWN) == []


def test_a_message_names_the_profile_and_what_to_do():
    definition = profile("Bite", "Observation", at("Observation.bodySite", max="0")) | {"title": "A bite"}
    (fault,) = profile_checker(definition["url"], known(definition))(observation(bodySite={"text": "x"}))
    assert fault.message == "bodySite must not be given; leave it out. (profile A bite)"


def test_what_holds_anyway_is_not_said_again():
    definition = profile(
        "Bite", "Observation", at("Observation.status", min=1), at("Observation.code", min=1, max="1")
    )
    assert faults({"resourceType": "Observation"}, definition) == []


def test_a_profile_of_a_profile():
    parent = profile("Bite", "Observation", at("Observation.subject", min=1))
    child = profile("Hard", "Observation", at("Observation.note", min=1), base=parent["url"])
    assert faults(observation(), child, parent) == [
        (".subject", "Hard#Observation.subject"),
        (".note", "Hard#Observation.note"),
    ]


@pytest.mark.conformance("E7")
def test_profiles_of_datatypes():
    definition = profile(
        "Bite",
        "Observation",
        at("Observation.value[x]", type=[{"code": "Quantity", "profile": [f"{ROOT}Force"]}]),
    )
    force = profile("Force", "Quantity", at("Quantity.unit", min=1), at("Quantity.comparator", max="0"))
    assert faults(observation(valueQuantity={"unit": "N"}), definition, force) == []
    wrong = observation(valueQuantity={"comparator": "<"})
    assert faults(wrong, definition, force) == [
        (".valueQuantity.comparator", "Force#Quantity.comparator"),
        (".valueQuantity.unit", "Force#Quantity.unit"),
    ]


@pytest.mark.conformance("E7")
def test_profiled_references_are_followed_where_the_target_is_at_hand():
    named = profile("Named", "Patient", at("Patient.name", min=1))
    target = {"code": "Reference", "targetProfile": [named["url"]]}
    definition = profile("Bite", "Observation", at("Observation.subject", type=[target]))
    assert faults(observation(subject={"reference": "Patient/1"}), definition, named) == []
    inner = {"resourceType": "Patient", "id": "p"}
    contained = observation(contained=[inner], subject={"reference": "#p"})
    assert faults(contained, definition, named) == [(".subject", "Bite#Observation.subject")]
    inner["name"] = [{"text": "P."}]
    assert faults(contained, definition, named) == []


def test_profiles_that_refer_to_each_other_end():
    one = profile("One", "Observation", at("Observation.hasMember", type=[_to("Two")]))
    two = profile(
        "Two", "Observation", at("Observation.hasMember", type=[_to("One")]), at("Observation.note", min=1)
    )
    inner = {**observation(id="o", note=[{"text": "a"}]), "hasMember": [{"reference": "#o"}]}
    assert faults(observation(contained=[inner], hasMember=[{"reference": "#o"}]), one, two) == []


def _to(name: str) -> Tree:
    return {"code": "Reference", "targetProfile": [ROOT + name]}


def test_resolve_and_the_resource_in_an_invariant():
    rule = {
        "key": "bite-2",
        "severity": "warning",
        "human": "Whoever was bitten has a name",
        "expression": "subject.resolve().name.exists() and %resource.id = 'o'",
    }
    definition = profile("Bite", "Observation", at("Observation", constraint=[rule]))
    named = observation(
        id="o", subject={"reference": "#p"}, contained=[{"resourceType": "Patient", "id": "p"}]
    )
    (fault,) = check_profiles(named, [definition["url"]], known(definition))
    assert (fault.rule, fault.severity) == (f"{ROOT}Bite#bite-2", Severity.WARNING)
    named["contained"][0]["name"] = [{"text": "P."}]
    assert check_profiles(named, [definition["url"]], known(definition)) == []


def test_an_invariant_that_cannot_be_tried_says_so_and_refuses_nothing():
    rules = [
        {"key": key, "severity": "error", "human": "x", "expression": text}
        for key, text in (("a", "this is no (expression"), ("b", "nothing.here.works()"))
    ]
    definition = profile("Bite", "Observation", at("Observation", constraint=rules))
    found = check_profiles(observation(), [definition["url"]], known(definition))
    assert [(one.severity, one.rule) for one in found] == [
        (Severity.INFORMATION, f"{ROOT}Bite#a"),
        (Severity.INFORMATION, f"{ROOT}Bite#b"),
    ]


def test_profiles_that_cannot_be_used_are_warnings():
    broken = profile("Broken", "Observation", at("Observation.nothing", min=1))
    orphan = profile("Orphan", "Observation", base=f"{ROOT}Nowhere")
    definitions = known(broken, orphan)
    urls = [broken["url"], orphan["url"], f"{ROOT}Elsewhere"]
    found = check_profiles(observation(), urls, definitions)
    assert [(one.path, one.severity, one.rule) for one in found] == [
        ("", Severity.WARNING, url) for url in urls
    ]


def test_a_profile_of_another_type_is_an_error():
    definition = profile("Toothed", "Patient", at("Patient.name", min=1))
    assert faults(observation(), definition) == [("", "Toothed#Patient")]


def test_canonicals_with_a_version():
    definition = profile("Bite", "Observation", at("Observation.note", min=1))
    definitions = known(definition)
    rules = [f"{definition['url']}|1.0.0", definition["url"]]
    assert [len(check_profiles(observation(), [url], definitions)) for url in rules] == [1, 1]
    (other,) = check_profiles(observation(), [f"{definition['url']}|2.0.0"], definitions)
    assert other.severity == Severity.WARNING


def test_an_unknown_extension_definition_is_told_where_it_is_used():
    worn = extension("worn")
    type_ = {"code": "Extension", "profile": [worn["url"]]}
    definition = profile("Toothed", "Patient", at("Patient.extension:worn", max="1", type=[type_]))
    patient = {"resourceType": "Patient", "extension": [{"url": worn["url"], "valueBoolean": True}]}
    (fault,) = check_profiles(patient, [definition["url"]], known(definition))
    assert (fault.path, fault.severity) == (".extension[0]", Severity.INFORMATION)
    assert check_profiles(patient, [definition["url"]], known(definition, worn)) == []


@pytest.mark.conformance("E7")
def test_absent_elements_that_are_to_be_supported_are_told_on_request():
    definition = profile(
        "Bite",
        "Observation",
        at("Observation.code.coding", mustSupport=True),
        at("Observation.subject", mustSupport=True),
        at("Observation.value[x]", mustSupport=True),
    )
    given = observation(valueString="hard", subject={"reference": "Patient/1"})
    (fault,) = absent_must_support(given, definition["url"], known(definition))
    assert (fault.path, fault.severity) == (".code.coding", Severity.INFORMATION)
    assert check_profiles(given, [definition["url"]], known(definition)) == []


def test_extensions_of_a_guide_are_looked_at_wherever_they_stand():
    worn = extension("worn", at("Extension.value[x]", min=1, type=[{"code": "boolean"}]))
    wrong = {"url": worn["url"], "valueString": "yes"}
    tree = observation(
        code={"text": "bite", "extension": [wrong]},
        note=[{"text": "a"}, {"text": "b", "_time": {"extension": [{"url": "http://example.org/x"}, wrong]}}],
    )
    found = check_extensions(tree, known(worn))
    assert [(one.path, one.rule.removeprefix(ROOT)) for one in found] == [
        (".code.extension[0].valueString", "worn#Extension.value[x]"),
        (".note[1].time.extension[1].valueString", "worn#Extension.value[x]"),
    ]
    right = observation(extension=[{"url": worn["url"], "valueBoolean": True}])
    assert check_extensions(right, known(worn)) == []

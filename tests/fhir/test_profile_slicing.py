"""Slices by every kind of discriminator (profiling.html), how often, in what order, what else."""

from typing import Any

import pytest
from written_profiles import ROOT, at, extension, faults, listed, profile, sliced, value_set

TEETH, HABITS = "http://example.org/teeth", "http://example.org/habits"
Tree = dict[str, Any]


def concept(code: str, system: str = TEETH) -> Tree:
    return {"coding": [{"system": system, "code": code}]}


def observation(*components: Tree, **more: Any) -> Tree:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "bite"},
        **({"component": list(components)} if components else {}),
        **more,
    }


def part(code: str, **value: Any) -> Tree:
    return {"code": concept(code), **value}


def by_code(**more: Any) -> tuple[Tree, ...]:
    """Components left and right, left being required."""
    return (
        sliced("Observation.component", "pattern:code", **more),
        at("Observation.component:left", min=1, max="1"),
        at("Observation.component:left.code", patternCodeableConcept=concept("left")),
        at("Observation.component:left.value[x]", min=1, type=[{"code": "Quantity"}]),
        at("Observation.component:right", max="1"),
        at("Observation.component:right.code", patternCodeableConcept=concept("right")),
    )


FORCE = {"valueQuantity": {"value": 3}}
OPEN = profile("Bite", "Observation", *by_code())
CLOSED = profile("Bite", "Observation", *by_code(rules="closed"))
ORDERED = profile("Bite", "Observation", *by_code(ordered=True))
AT_END = profile("Bite", "Observation", *by_code(rules="openAtEnd", ordered=True))
LEFT = "Bite#Observation.component:left"


@pytest.mark.conformance("E7")
@pytest.mark.published("FHIR R4 profiling.html: slicing")
@pytest.mark.parametrize(
    ("definition", "components", "expected"),
    [
        (OPEN, [part("left", **FORCE), part("right"), part("middle")], []),
        (OPEN, [part("right")], [(".component", LEFT)]),
        (OPEN, [part("left", **FORCE), part("left", **FORCE)], [(".component[1]", LEFT)]),
        (OPEN, [part("left")], [(".component[0].value", f"{LEFT}.value[x]")]),
        (OPEN, [part("left", valueString="3")], [(".component[0].valueString", f"{LEFT}.value[x]")]),
        (CLOSED, [part("left", **FORCE), part("right")], []),
        (CLOSED, [part("middle"), part("left", **FORCE)], [(".component[0]", "Bite#Observation.component")]),
        (ORDERED, [part("left", **FORCE), part("middle"), part("right")], []),
        (ORDERED, [part("right"), part("left", **FORCE)], [(".component[1]", "Bite#Observation.component")]),
        (AT_END, [part("left", **FORCE), part("right"), part("middle")], []),
        (
            AT_END,
            [part("left", **FORCE), part("middle"), part("right")],
            [(".component[2]", "Bite#Observation.component")],
        ),
    ],
)
def test_pattern_slices(definition, components, expected):
    assert faults(observation(*components), definition) == expected


def test_the_default_slice_takes_what_no_other_slice_takes():
    definition = profile(
        "Bite",
        "Observation",
        *by_code(rules="closed"),
        at("Observation.component:@default", max="1"),
        at("Observation.component:@default.value[x]", max="0"),
    )
    assert faults(observation(part("left", **FORCE), part("middle")), definition) == []
    wrong = observation(part("left", **FORCE), part("middle", valueString="x"), part("top"))
    assert faults(wrong, definition) == [
        (".component[2]", "Bite#Observation.component:@default"),
        (".component[1].valueString", "Bite#Observation.component:@default.value[x]"),
    ]


def test_slices_of_slices():
    definition = profile(
        "Bite",
        "Observation",
        *by_code(),
        sliced("Observation.component:left", "type:value"),
        at("Observation.component:left/exact", max="0"),
        at("Observation.component:left/exact.value[x]", type=[{"code": "Quantity"}]),
    )
    expected = [(".component[0]", "Bite#Observation.component:left/exact")]
    assert faults(observation(part("left", **FORCE)), definition) == expected
    assert faults(observation(part("right", **FORCE), part("left")), definition) == [
        (".component[1].value", f"{LEFT}.value[x]")
    ]


@pytest.mark.conformance("E7")
@pytest.mark.published("FHIR R4 profiling.html: discriminator value")
@pytest.mark.parametrize(
    ("discriminators", "laid"),
    [
        (("value:system", "value:use"), [("system", {"fixedUri": TEETH}), ("use", {"fixedCode": "usual"})]),
        (("value:system",), [("system", {"patternUri": TEETH})]),
        (("value:type.coding.code",), [("type", {"patternCodeableConcept": concept("left")})]),
        (("value:type",), [("type.coding.code", {"fixedCode": "left"}), ("type.coding", {"min": 1})]),
        (("value:$this",), [("", {"patternIdentifier": {"system": TEETH}})]),
        (("value:type",), [("type", {"binding": {"strength": "required", "valueSet": f"{ROOT}sides"}})]),
    ],
    ids=["fixed", "pattern", "inside a pattern", "below", "this", "bound"],
)
def test_values_tell_slices_apart(discriminators, laid):
    sides = value_set("sides", listed(TEETH, "left", "right")) | {"url": f"{ROOT}sides"}
    slice_ = "Patient.identifier:own"
    definition = profile(
        "Toothed",
        "Patient",
        sliced("Patient.identifier", *discriminators),
        at(slice_, min=1, max="1"),
        *(at(f"{slice_}.{path}".rstrip("."), **said) for path, said in laid if path),
        *(at(slice_, **said) for path, said in laid if not path),
        at(f"{slice_}.value", min=1),
    )
    own = {"system": TEETH, "use": "usual", "type": concept("left"), "value": "1"}
    other = {"system": HABITS, "use": "old", "type": concept("none")}
    patient = {"resourceType": "Patient", "identifier": [other, own]}
    assert faults(patient, definition, sides) == []
    bare = {name: value for name, value in own.items() if name != "value"}
    assert faults(patient | {"identifier": [other, bare]}, definition, sides) == [
        (".identifier[1].value", f"Toothed#{slice_}.value")
    ]
    assert faults(patient | {"identifier": [other]}, definition, sides) == [
        (".identifier", f"Toothed#{slice_}")
    ]
    assert faults(patient | {"identifier": [own, own]}, definition, sides) == [
        (".identifier[1]", f"Toothed#{slice_}")
    ]


@pytest.mark.conformance("E7")
def test_a_choice_is_sliced_by_type():
    definition = profile(
        "Bite",
        "Observation",
        sliced("Observation.value[x]", "type:$this", rules="closed"),
        at("Observation.value[x]:valueQuantity", type=[{"code": "Quantity"}]),
        at("Observation.value[x]:valueQuantity.code", fixedCode="N"),
        at("Observation.value[x]:valueString", type=[{"code": "string"}], maxLength=3),
    )
    assert faults(observation(valueQuantity={"value": 1, "code": "N"}), definition) == []
    assert faults(observation(valueString="abc"), definition) == []
    code = "Bite#Observation.value[x]:valueQuantity.code"
    assert faults(observation(valueQuantity={"value": 1, "code": "g"}), definition) == [
        (".valueQuantity.code", code)
    ]
    too_long = faults(observation(valueString="abcd"), definition)
    assert too_long == [(".valueString", "Bite#Observation.value[x]:valueString")]
    assert faults(observation(valueBoolean=True), definition) == [
        (".valueBoolean", "Bite#Observation.value[x]")
    ]


def test_a_type_named_in_short_narrows_the_choice():
    definition = profile(
        "Bite",
        "Observation",
        at("Observation.valueQuantity", min=1),
        at("Observation.valueQuantity.unit", min=1),
    )
    assert faults(observation(valueQuantity={"unit": "N"}), definition) == []
    unit = "Bite#Observation.value[x]:valueQuantity.unit"
    assert faults(observation(valueQuantity={"value": 1}), definition) == [(".valueQuantity.unit", unit)]
    assert (".valueString", "Bite#Observation.value[x]") in faults(observation(valueString="1"), definition)
    assert (".value", "Bite#Observation.value[x]:valueQuantity") in faults(observation(), definition)


@pytest.mark.conformance("E7")
def test_slices_by_existence():
    definition = profile(
        "Bite",
        "Observation",
        sliced("Observation.component", "exists:dataAbsentReason"),
        at("Observation.component:missing", max="1"),
        at("Observation.component:missing.dataAbsentReason", min=1),
        at("Observation.component:missing.value[x]", max="0"),
        at("Observation.component:measured"),
        at("Observation.component:measured.dataAbsentReason", max="0"),
        at("Observation.component:measured.value[x]", min=1),
    )
    absent = part("left", dataAbsentReason=concept("unknown"))
    assert faults(observation(absent, part("right", **FORCE)), definition) == []
    assert faults(observation(absent | FORCE, part("right")), definition) == [
        (".component[0].valueQuantity", "Bite#Observation.component:missing.value[x]"),
        (".component[1].value", "Bite#Observation.component:measured.value[x]"),
    ]


MEMBER = profile("Member", "Observation", at("Observation.code", patternCodeableConcept=concept("left")))


def referring(kind: str, *by: str, **said: Any) -> Tree:
    return profile(
        "Bite",
        "Observation",
        sliced("Observation.hasMember", f"{kind}:{by[0]}"),
        at(
            "Observation.hasMember:left",
            min=1,
            max="1",
            type=[{"code": "Reference", "targetProfile": [MEMBER["url"]]}],
        ),
        **said,
    )


@pytest.mark.conformance("E7")
@pytest.mark.published("FHIR R4 profiling.html: resolve()")
@pytest.mark.parametrize(("kind", "path"), [("value", "resolve().code"), ("profile", "resolve()")])
def test_slices_by_what_a_reference_leads_to(kind, path):
    definition = referring(kind, path)
    left = observation(id="l", code=concept("left"))
    right = observation(id="r", code=concept("right"))
    inside = observation(contained=[left, right], hasMember=[{"reference": "#r"}, {"reference": "#l"}])
    assert faults(inside, definition, MEMBER) == []
    only_right = observation(contained=[right], hasMember=[{"reference": "#r"}])
    assert faults(only_right, definition, MEMBER) == [(".hasMember", "Bite#Observation.hasMember:left")]
    elsewhere = observation(hasMember=[{"reference": "Observation/1"}])
    assert faults(elsewhere, definition, MEMBER) == []  # it can't be told
    entries = [
        {"fullUrl": "urn:uuid:1", "resource": left},
        {"fullUrl": "http://example.org/fhir/Observation/r", "resource": right},
    ]

    def inside_bundle(reference):
        own = observation(id="o", hasMember=[{"reference": reference}])
        around = [*entries, {"fullUrl": "http://example.org/fhir/Observation/o", "resource": own}]
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": around}
        return faults(own, definition, MEMBER, bundle=bundle)

    assert inside_bundle("urn:uuid:1") == []
    assert inside_bundle("Observation/r") == [(".hasMember", "Bite#Observation.hasMember:left")]
    assert inside_bundle("Observation/l") == []  # of that address there is none


def test_slices_by_the_type_a_reference_leads_to():
    base = "http://hl7.org/fhir/StructureDefinition/"
    definition = profile(
        "Bite",
        "Observation",
        sliced("Observation.performer", "type:resolve()", rules="closed"),
        at(
            "Observation.performer:patient",
            max="1",
            type=[{"code": "Reference", "targetProfile": [f"{base}Patient"]}],
        ),
    )
    patient, doctor = {"reference": "Patient/1"}, {"reference": "https://example.org/fhir/Practitioner/1"}
    assert faults(observation(performer=[patient]), definition) == []
    assert faults(observation(performer=[doctor]), definition) == [
        (".performer[0]", "Bite#Observation.performer")
    ]
    typed = {"type": "Practitioner", "display": "Dr. Z"}
    assert faults(observation(performer=[typed]), definition) == [
        (".performer[0]", "Bite#Observation.performer")
    ]


@pytest.mark.conformance("E7")
def test_entries_of_a_bundle_are_sliced_by_type_and_profile():
    by_type = profile(
        "Packet",
        "Bundle",
        sliced("Bundle.entry", "type:resource", rules="closed"),
        at("Bundle.entry:bite", min=1),
        at("Bundle.entry:bite.resource", type=[{"code": "Observation", "profile": [MEMBER["url"]]}]),
    )
    entries = [{"resource": observation(code=concept("left"))}]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    assert faults(bundle, by_type, MEMBER) == []
    entries.append({"resource": {"resourceType": "Patient"}})
    entries.append({"resource": observation(code=concept("right"))})
    assert faults(bundle, by_type, MEMBER) == [
        (".entry[2].resource.code", "Member#Observation.code"),
        (".entry[1]", "Packet#Bundle.entry"),
    ]
    by_profile = profile(
        "Packet",
        "Bundle",
        sliced("Bundle.entry", "profile:resource"),
        at("Bundle.entry:bite", max="0"),
        at("Bundle.entry:bite.resource", type=[{"code": "Observation", "profile": [MEMBER["url"]]}]),
    )
    assert faults(bundle, by_profile, MEMBER) == [(".entry[0]", "Packet#Bundle.entry:bite")]


WORN = extension("worn", at("Extension.value[x]", min=1, type=[{"code": "boolean"}]))


def test_extensions_are_slices_by_url_with_their_own_definition():
    definition = profile(
        "Toothed",
        "Patient",
        at("Patient.extension:worn", min=1, max="1", type=[{"code": "Extension", "profile": [WORN["url"]]}]),
    )
    right = {"resourceType": "Patient", "extension": [{"url": WORN["url"], "valueBoolean": True}]}
    assert faults(right, definition, WORN) == []
    missing = {"resourceType": "Patient", "extension": [{"url": f"{ROOT}other", "valueString": "x"}]}
    assert faults(missing, definition, WORN) == [(".extension", "Toothed#Patient.extension:worn")]
    wrong = {"resourceType": "Patient", "extension": [{"url": WORN["url"], "valueString": "yes"}]}
    assert faults(wrong, definition, WORN) == [(".extension[0].valueString", "worn#Extension.value[x]")]


def test_slices_by_the_value_of_an_extension():
    definition = profile(
        "Toothed",
        "Patient",
        sliced("Patient.contact", f"value:extension('{WORN['url']}').value"),
        at("Patient.contact:worn", max="1"),
        at(
            "Patient.contact:worn.extension:worn",
            min=1,
            type=[{"code": "Extension", "profile": [WORN["url"]]}],
        ),
        at("Patient.contact:worn.extension:worn.value[x]", fixedBoolean=True),
    )
    worn, whole = ({"extension": [{"url": WORN["url"], "valueBoolean": one}]} for one in (True, False))
    assert faults({"resourceType": "Patient", "contact": [worn, whole, whole]}, definition, WORN) == []
    twice = {"resourceType": "Patient", "contact": [worn, whole, worn]}
    assert faults(twice, definition, WORN) == [(".contact[2]", "Toothed#Patient.contact:worn")]


def test_parts_of_an_extension():
    grind = extension(
        "grind",
        at("Extension.extension:often", min=1, max="1"),
        at("Extension.extension:often.url", fixedUri="often"),
        at(
            "Extension.extension:often.value[x]",
            type=[{"code": "integer"}],
            minValueInteger=1,
            maxValueInteger=7,
        ),
        at("Extension.value[x]", max="0"),
    )
    definition = profile(
        "Toothed",
        "Patient",
        at("Patient.extension:grind", type=[{"code": "Extension", "profile": [grind["url"]]}]),
    )

    def patient(**inner: Any) -> Tree:
        told = {"url": grind["url"], "extension": [{"url": "often", **inner}]}
        return {"resourceType": "Patient", "extension": [told]}

    assert faults(patient(valueInteger=7), definition, grind) == []
    often = "grind#Extension.extension:often.value[x]"
    assert faults(patient(valueInteger=8), definition, grind) == [
        (".extension[0].extension[0].valueInteger", often)
    ]
    assert faults(patient(valueInteger=0), definition, grind) == [
        (".extension[0].extension[0].valueInteger", often)
    ]
    assert faults(patient(valueString="7"), definition, grind) == [
        (".extension[0].extension[0].valueString", often)
    ]

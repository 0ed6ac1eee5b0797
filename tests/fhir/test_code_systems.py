import pytest

from service.fhir.code_systems import CodeSystem, known_code, shipped_code_system
from service.fhir.terminology_files import texts

HL7 = "http://terminology.hl7.org/CodeSystem/"


def test_every_code_that_ships_is_known(tell):
    count = 0
    for url in texts("CodeSystem"):
        system = shipped_code_system(url)
        assert all(known_code(url, code) for code in system.concepts), url
        count += len(system.concepts)
    assert count > 20_000
    tell(f"{len(texts('CodeSystem'))} code systems of {count} codes ship")


@pytest.mark.parametrize(
    ("system", "code", "answer"),
    [
        ("http://hl7.org/fhir/administrative-gender", "male", True),
        ("http://hl7.org/fhir/administrative-gender", "Male", False),
        (f"{HL7}v2-0203", "MR", True),
        (f"{HL7}v2-0203", "mr", True),  # the table does not say that case matters
        (f"{HL7}v2-0203", "QQ", False),
        (f"{HL7}v3-ActCode", "AMB", True),
        (f"{HL7}v3-ActCode", "amb", False),
        (f"{HL7}service-type", "no such", None),  # an example: others may be added
        ("http://unitsofmeasure.org", "mm[Hg]", True),
        ("http://unitsofmeasure.org", "{score}", True),
        ("http://unitsofmeasure.org", "mmHg", False),
        ("http://unitsofmeasure.org", "KG", False),
        ("http://unitsofmeasure.org", "", False),
        ("http://unitsofmeasure.org", "m." * 5_000 + "m", False),
        ("http://unitsofmeasure.org", "(" * 90 + "m" + ")" * 90, True),
        ("urn:ietf:bcp:47", "x-own", True),
        ("urn:ietf:bcp:47", "de_CH", False),
        ("urn:ietf:bcp:47", "-".join(["a" * 8] * 500), False),
        ("urn:ietf:bcp:13", "application/fhir+json", True),
        ("urn:ietf:bcp:13", "a/b;" + " " * 50_000, False),
        ("http://snomed.info/sct", "71341001", None),
        ("http://loinc.org", "8310-5", None),
        ("http://example.org/own", "a", None),
    ],
)
def test_whether_a_code_is_known(system, code, answer):
    assert known_code(system, code) is answer


OWN = {
    "resourceType": "CodeSystem",
    "url": "http://example.org/own",
    "content": "complete",
    "caseSensitive": True,
    "concept": [
        {"code": "a", "concept": [{"code": "b", "concept": [{"code": "c"}]}]},
        {"code": "d", "property": [{"code": "parent", "valueCode": "b"}]},
        {"code": "e", "property": [{"code": "child", "valueCode": "d"}, {"code": "child", "valueCode": "e"}]},
    ],
}


def test_the_hierarchy_is_told_by_nesting_and_by_properties():
    system = CodeSystem(OWN)
    assert system.above("c") == ("c", "b", "a")
    assert set(system.above("d")) == {"d", "b", "e", "a"}
    assert system.below("b") == ("b", "c", "d")
    assert system.subsumes("a", "d")
    assert not system.subsumes("d", "a")
    assert system.above("z") == system.below("z") == ()


def test_a_long_chain_of_parents_is_walked_once():
    concepts = [
        {"code": str(n), "property": [{"code": "parent", "valueCode": str(n - 1)}]} for n in range(20_000)
    ]
    system = CodeSystem({"url": "http://example.org/chain", "content": "complete", "concept": concepts})
    assert len(system.below("0")) == len(system.above("19999")) == 20_000


def test_concepts_that_only_group_or_are_no_longer_used():
    system = shipped_code_system(f"{HL7}v3-ActCode")
    assert system.concept("_ActEncounterCode").abstract
    assert not system.concept("STORE").active
    assert system.concept("AMB").selectable


def test_properties_of_an_unusual_type_do_no_harm():
    coding = {"system": "urn:x", "code": "b"}
    odd = [{"code": name, "valueCoding": coding} for name in ("parent", "child", "status", "notSelectable")]
    concepts = [{"code": "a", "property": odd}, {"code": "b"}]
    system = CodeSystem({"url": "urn:x", "content": "complete", "concept": concepts})
    assert system.above("a") == ("a",)
    assert system.concept("a").active
    assert system.concept("a").selectable

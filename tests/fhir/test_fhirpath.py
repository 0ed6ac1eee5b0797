"""FHIRPath: the published tests, the places of what is found, and what is refused."""

import json
import os
from decimal import Decimal
from pathlib import Path

import pytest

from service.fhir.fhirpath import compiled, type_at
from service.fhir.json import parse

SUITE = Path(os.environ.get("CONFORMANCE_DATA", "")) / "fhirpath"
GAPS = Path(__file__).with_name("fhirpath_gaps.json")
"""Published tests that do not pass, and why; may only shrink."""

PATIENT = {
    "resourceType": "Patient",
    "active": True,
    "birthDate": "1970-01-01",
    "_birthDate": {"extension": [{"url": "http://x.example", "valueString": "y"}]},
    "deceasedBoolean": False,
    "multipleBirthInteger": 2,
    "name": [
        {"given": ["A", "B"], "family": "A"},
        {"given": ["A"], "_given": [{"id": "g"}], "use": "official"},
    ],
    "extension": [{"url": "http://x.example", "valueDecimal": Decimal("72.50")}],
    "contained": [{"resourceType": "Observation", "id": "o", "valueQuantity": {"value": Decimal("1.0")}}],
}


def text_of(value):
    """A result as the published tests write it."""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value).removeprefix("@")


def passes(test, tree):
    try:
        found = [text_of(value) for value in compiled(test["expr"]).values(tree)]
    except ValueError:
        return test["invalid"] is not None
    if test["invalid"] is not None:
        return False
    wanted = [(value or "").removeprefix("@") for _, value in test["out"]]
    if test["predicate"] == "true" and found != wanted:
        return [text_of(bool(found))] == wanted
    return found == wanted if test["ordered"] != "false" else sorted(found) == sorted(wanted)


@pytest.mark.skipif("CONFORMANCE_DATA" not in os.environ, reason="CONFORMANCE_DATA names no folder")
@pytest.mark.published("FHIR/fhir-test-cases, FHIRPath tests of R4")
def test_published_fhirpath_tests(tell):
    tests = json.loads((SUITE / "fptests.json").read_bytes())
    inputs = json.loads((SUITE / "fpinputs.json").read_bytes(), parse_float=Decimal)
    failing = {
        f"{test['group']}/{test['name']}" for test in tests if not passes(test, inputs.get(test["input"], {}))
    }
    listed = json.loads(GAPS.read_bytes()).keys()
    tell(f"FHIRPath: {len(tests) - len(failing)} of {len(tests)} published tests pass")
    assert failing == listed, "a test that fails anew is a loss; one that passes now leaves the table"


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "a)",
        "a.b(",
        "a.nothing()",
        "a.where()",
        "Patient.name[",
        "2 + 2 /",
        "a b",
        "a" * 2_001,
        "(" * 900,
    ],
)
def test_text_that_is_no_expression_is_refused(text):
    with pytest.raises(ValueError, match=r"^it "):
        compiled(text)


def test_an_expression_is_compiled_once():
    assert compiled("Patient.name.given") is compiled("Patient.name.given")


def test_trace_prints_nothing(capsys):
    assert compiled("Patient.name.trace('x').family").values(PATIENT) == ["A"]
    assert capsys.readouterr().out == ""


def test_what_an_expression_uses_is_known():
    used = compiled("Patient.name.where(use = 'official' and given.exists()) | %context.photo")
    assert used.functions == {"where", "exists"}
    assert used.variables == {"context"}


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("Patient.name.given.where($this = 'B')", ["B"]),
        ("Patient.birthDate + 1 month", ["1970-02-01"]),
        ("Patient.birthDate < @1970-01-02", [True]),
        ("Patient.extension.value", [Decimal("72.50")]),
        ("Patient.extension.value.toString()", ["72.50"]),
        ("Patient.contained.value.value > 0.5", [True]),
        ("Patient.birthDate.hasValue() and Patient.birthDate.hasExtension('http://x.example')", [True]),
        ("Patient.name[1].given.id", ["g"]),
        ("Patient.descendants().ofType(HumanName).count()", [2]),
        ("5 'mg' = 0.005 'g'", [True]),
        ("5 'mg' + 1 'g'", []),
        ("@T10:30 + 90 minutes", ["T12:00"]),
        ("@2026-02-04T10:00:00+01:00 - 1 hour", ["2026-02-04T09:00:00+01:00"]),
        ("@2024-02-29 + 1 year", ["2025-02-28"]),
        ("Patient.valueX.exists() or true", [True]),
        ("Patient.name.given.join(', ')", ["A, B, A"]),
        ("(1 | 2 | 3).aggregate($this + $total, 0)", [6]),
        ("7 div 2 & ''", None),
        ("-7 div 2", [-3]),
        ("-7 mod 2", [-1]),
        ("1 / 0", []),
        ("123456.5.lowBoundary(31).toString().length()", [38]),
        ("@9999 + 1 year", None),
        ("@0001-01-01 - 1 month", None),
    ],
)
def test_values(text, values):
    if values is None:
        with pytest.raises(ValueError, match="can't be evaluated"):
            compiled(text).values(PATIENT)
    else:
        assert compiled(text).values(PATIENT) == values


def test_a_choice_is_called_by_its_name_without_type():
    with pytest.raises(ValueError, match="the element is called 'deceased'"):
        compiled("Patient.deceasedBoolean").values(PATIENT)


def test_references_lead_to_what_is_in_the_same_resource():
    bundle = {
        "resourceType": "Bundle",
        "entry": [
            {"fullUrl": "urn:uuid:1", "resource": {"resourceType": "Patient", "id": "p"}},
            {"resource": {"resourceType": "Observation", "subject": {"reference": "urn:uuid:1"}}},
            {"resource": {"resourceType": "Observation", "subject": {"reference": "Patient/p"}}},
            {"resource": {"resourceType": "Observation", "subject": {"reference": "Patient/q"}}},
        ],
    }
    assert compiled("Bundle.entry.resource.subject.resolve().id").values(bundle) == ["p", "p"]
    own = {"resourceType": "Observation", "contained": [{"resourceType": "Patient", "id": "c"}]}
    own["subject"] = {"reference": "#c"}
    assert compiled("Observation.subject.resolve() is Patient").values(own) == [True]


def test_a_part_is_evaluated_by_its_type():
    part = {"valueQuantity": {"value": 1}}
    assert compiled("value.value").at(part, "Observation.component") == [1]
    assert compiled("%resource.name[0].family").at(part, "Element", variables={"resource": PATIENT}) == ["A"]
    assert compiled("hasValue()").at(None, "date", {"extension": []}) == [False]
    known = {"Patient/1": {"resourceType": "Patient"}}
    found = compiled("resolve() is Patient").at({"reference": "Patient/1"}, "Reference", resolve=known.get)
    assert found == [True]


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("Patient", [()]),
        ("Patient.active", [("active",)]),
        ("Patient.deceased", [("deceasedBoolean",)]),
        ("Patient.multipleBirth", [("multipleBirthInteger",)]),
        ("Patient.birthDate", [("birthDate",)]),
        ("Patient.birthDate.extension", [("_birthDate", "extension", 0)]),
        ("Patient.name[0].given", [("name", 0, "given", 0), ("name", 0, "given", 1)]),
        ("Patient.name[1].given", [("name", 1, "given", 0)]),
        ("Patient.name.where(use = 'official').given", [("name", 1, "given", 0)]),
        ("name.family", [("name", 0, "family")]),
        ("Patient.extension('http://x.example').value", [("extension", 0, "valueDecimal")]),
        ("Patient.contained.value", [("contained", 0, "valueQuantity")]),
        ("Patient.contained.value.value", [("contained", 0, "valueQuantity", "value")]),
        ("Patient.photo", []),
        ("Patient.name.exists()", None),
        ("'A'", None),
        ("1 + 1", None),
    ],
)
def test_places_of_what_is_found(text, places):
    assert compiled(text).places(PATIENT) == places


def test_a_failing_evaluation_is_a_value_error():
    for text in ("Patient.name.single()", "'a' - 1", "%nothing"):
        with pytest.raises(ValueError, match="can't be evaluated"):
            compiled(text).values(PATIENT)


def test_types_of_places():
    assert type_at(PATIENT, ("name", 0)) == "HumanName"
    assert type_at(PATIENT, ("contained", 0)) == "Observation"
    assert type_at(PATIENT, ("contained", 0, "valueQuantity")) == "Quantity"
    assert type_at(PATIENT, ("_birthDate", "extension", 0)) == "Extension"
    assert type_at(PATIENT, ("nothing",)) == ""


def test_numbers_are_found_exactly():
    tree = parse(b'{"resourceType":"Observation","valueQuantity":{"value":1.0E2}}')
    assert compiled("Observation.value.value").places(tree) == [("valueQuantity", "value")]


@pytest.mark.parametrize(
    "text",
    ["where(entry.where($this in %context.entry))", "entry.select(%context.entry.where(fullUrl = 'x'))"],
)
def test_no_expression_runs_for_ever(text):
    bundle = {"resourceType": "Bundle", "entry": [{"fullUrl": f"urn:x:{place}"} for place in range(2_000)]}
    with pytest.raises(ValueError, match="it takes too long"):
        compiled(text).values(bundle)


def test_many_elements_are_told_apart_quickly():
    bundle = {"resourceType": "Bundle", "entry": [{"fullUrl": f"urn:x:{place}"} for place in range(5_000)]}
    bundle["entry"] += bundle["entry"]
    assert len(compiled("entry | entry").values(bundle)) == 5_000
    assert compiled("entry.fullUrl.isDistinct()").values(bundle) == [False]

"""FHIRPath Patch on a tree (FHIR R4 fhirpatch.html)."""

import time
from copy import deepcopy

import pytest

from service.errors import InvalidInput, RuleViolation
from service.fhir.patch_fhirpath import fhirpath_patch
from service.fhir.validation import errors

pytestmark = pytest.mark.conformance("B17")

PATIENT = {
    "resourceType": "Patient",
    "id": "p",
    "active": True,
    "_birthDate": {"extension": [{"url": "http://x.example", "valueString": "y"}]},
    "birthDate": "1970-01-01",
    "deceasedBoolean": False,
    "name": [{"family": "X", "given": ["A", "B"]}, {"use": "official", "given": ["C"]}],
}
KINDS = {
    "type": "valueCode",
    "index": "valueInteger",
    "source": "valueInteger",
    "destination": "valueInteger",
}


def operation(**parts):
    return {
        "name": "operation",
        "part": [
            {"name": name, **value}
            if name == "value"
            else {"name": name, KINDS.get(name, "valueString"): value}
            for name, value in parts.items()
        ],
    }


def patched(*operations, tree=PATIENT):
    tree = deepcopy(tree)
    return fhirpath_patch({"resourceType": "Parameters", "parameter": list(operations)})(tree)


def differing(tree, before=PATIENT):
    """What is new or other in a tree, and None for what is gone."""
    return {
        name: tree.get(name) for name in before.keys() | tree.keys() if tree.get(name) != before.get(name)
    }


HUMAN = {"valueHumanName": {"family": "N"}}
DONE = {
    "add an element": (
        [operation(type="add", path="Patient", name="gender", value={"valueCode": "male"})],
        {"gender": "male"},
    ),
    "add to a list": (
        [operation(type="add", path="Patient", name="name", value=HUMAN)],
        {"name": [*PATIENT["name"], {"family": "N"}]},
    ),
    "add a choice": (
        [operation(type="add", path="Patient", name="multipleBirth", value={"valueInteger": 2})],
        {"multipleBirthInteger": 2},
    ),
    "add a primitive with an id": (
        [
            operation(
                type="add",
                path="Patient.name.where(use = 'official')",
                name="given",
                value={"valueString": "D", "_valueString": {"id": "d"}},
            )
        ],
        {
            "name": [
                PATIENT["name"][0],
                {"use": "official", "given": ["C", "D"], "_given": [None, {"id": "d"}]},
            ]
        },
    ),
    "add a part without type of its own": (
        [
            operation(
                type="add",
                path="Patient",
                name="contact",
                value={
                    "part": [
                        {"name": "name", "valueHumanName": {"text": "q"}},
                        {"name": "telecom", "valueContactPoint": {"system": "phone", "value": "1"}},
                        {"name": "telecom", "valueContactPoint": {"system": "phone", "value": "2"}},
                    ]
                },
            )
        ],
        {
            "contact": [
                {
                    "name": {"text": "q"},
                    "telecom": [{"system": "phone", "value": "1"}, {"system": "phone", "value": "2"}],
                }
            ]
        },
    ),
    "add an extension to a primitive": (
        [
            operation(
                type="add",
                path="Patient.active",
                name="extension",
                value={
                    "part": [
                        {"name": "url", "valueUri": "http://e.example"},
                        {"name": "value", "valueBoolean": True},
                    ]
                },
            )
        ],
        {"_active": {"extension": [{"url": "http://e.example", "valueBoolean": True}]}},
    ),
    "add an extension to a primitive in a list": (
        [
            operation(
                type="add",
                path="Patient.name[0].given[1]",
                name="id",
                value={"valueString": "b"},
            )
        ],
        {"name": [{"family": "X", "given": ["A", "B"], "_given": [None, {"id": "b"}]}, PATIENT["name"][1]]},
    ),
    "add a contained resource": (
        [
            operation(
                type="add",
                path="Patient",
                name="contained",
                value={"resource": {"resourceType": "Organization", "id": "b", "name": "HTEST"}},
            ),
            operation(
                type="add",
                path="Patient",
                name="managingOrganization",
                value={"part": [{"name": "reference", "valueString": "#b"}]},
            ),
        ],
        {
            "contained": [{"resourceType": "Organization", "id": "b", "name": "HTEST"}],
            "managingOrganization": {"reference": "#b"},
        },
    ),
    "insert": (
        [operation(type="insert", path="Patient.name", index=1, value=HUMAN)],
        {"name": [PATIENT["name"][0], {"family": "N"}, PATIENT["name"][1]]},
    ),
    "insert at the end": (
        [operation(type="insert", path="Patient.name[0].given", index=2, value={"valueString": "Z"})],
        {"name": [{"family": "X", "given": ["A", "B", "Z"]}, PATIENT["name"][1]]},
    ),
    "insert into an empty list": (
        [operation(type="insert", path="Patient.photo", index=0, value={"valueAttachment": {"title": "t"}})],
        {"photo": [{"title": "t"}]},
    ),
    "delete with extensions": (
        [operation(type="delete", path="Patient.birthDate")],
        {"birthDate": None, "_birthDate": None},
    ),
    "delete an extension of a primitive": (
        [operation(type="delete", path="Patient.birthDate.extension('http://x.example')")],
        {"_birthDate": None},
    ),
    "delete one of a list": (
        [operation(type="delete", path="Patient.name.where(use = 'official')")],
        {"name": [PATIENT["name"][0]]},
    ),
    "delete what leaves nothing": (
        [
            operation(type="delete", path="Patient.name[1].given"),
            operation(type="delete", path="Patient.name[1].use"),
        ],
        {"name": [PATIENT["name"][0]]},
    ),
    "delete what is not there": ([operation(type="delete", path="Patient.photo")], {}),
    "replace": (
        [operation(type="replace", path="Patient.birthDate", value={"valueDate": "1999"})],
        {"birthDate": "1999", "_birthDate": None},
    ),
    "replace in a list": (
        [operation(type="replace", path="Patient.name[0].given[0]", value={"valueString": "Q"})],
        {"name": [{"family": "X", "given": ["Q", "B"]}, PATIENT["name"][1]]},
    ),
    "replace a choice by another type": (
        [operation(type="replace", path="Patient.deceased", value={"valueDateTime": "2020"})],
        {"deceasedBoolean": None, "deceasedDateTime": "2020"},
    ),
    "replace true": (
        [operation(type="replace", path="Patient.active", value={"valueBoolean": False})],
        {"active": False},
    ),
    "move": (
        [operation(type="move", path="Patient.name", source=1, destination=0)],
        {"name": [PATIENT["name"][1], PATIENT["name"][0]]},
    ),
    "several, one after another": (
        [
            operation(type="add", path="Patient", name="gender", value={"valueCode": "male"}),
            operation(type="replace", path="Patient.gender", value={"valueCode": "female"}),
        ],
        {"gender": "female"},
    ),
}


@pytest.mark.published("FHIR R4 fhirpatch.html, operations and their rules")
@pytest.mark.parametrize(("operations", "difference"), DONE.values(), ids=DONE)
def test_operations(operations, difference):
    result = patched(*operations)
    assert differing(result) == difference
    assert errors(result) == ()


CANNOT = {
    "add what is there": operation(type="add", path="Patient", name="active", value={"valueBoolean": True}),
    "add a choice beside another": operation(
        type="add", path="Patient", name="deceased", value={"valueDateTime": "2020"}
    ),
    "add an unknown element": operation(type="add", path="Patient", name="colour", value={"valueCode": "x"}),
    "add another type": operation(
        type="add", path="Patient", name="maritalStatus", value={"valueString": "x"}
    ),
    "add another kind": operation(type="add", path="Patient", name="gender", value={"valueInteger": 1}),
    "add to several": operation(type="add", path="Patient.name", name="given", value={"valueString": "x"}),
    "add to nothing": operation(type="add", path="Patient.photo", name="title", value={"valueString": "x"}),
    "insert beyond the end": operation(type="insert", path="Patient.name", index=3, value=HUMAN),
    "insert before the beginning": operation(type="insert", path="Patient.name", index=-1, value=HUMAN),
    "insert into no list": operation(
        type="insert", path="Patient.gender", index=0, value={"valueCode": "male"}
    ),
    "insert into several lists": operation(
        type="insert", path="Patient.name.given", index=0, value={"valueString": "x"}
    ),
    "delete several": operation(type="delete", path="Patient.name"),
    "delete the resource": operation(type="delete", path="Patient"),
    "delete no element": operation(type="delete", path="Patient.name.exists()"),
    "replace nothing": operation(
        type="replace", path="Patient.photo", value={"valueAttachment": {"title": "t"}}
    ),
    "replace by another type": operation(type="replace", path="Patient.name[0]", value={"valueString": "x"}),
    "move from beyond": operation(type="move", path="Patient.name", source=2, destination=0),
    "move to beyond": operation(type="move", path="Patient.name", source=0, destination=2),
    "a path of another type": operation(type="delete", path="'Patient'"),
}


@pytest.mark.published("FHIR R4 fhirpatch.html, operations and their rules")
@pytest.mark.parametrize("failing", CANNOT.values(), ids=CANNOT)
def test_what_cannot_be_done_is_named(failing):
    fine = operation(type="add", path="Patient", name="gender", value={"valueCode": "male"})
    with pytest.raises(RuleViolation, match="Operation 1") as refused:
        patched(fine, failing)
    assert refused.value.issues[0].place.expression == "Parameters.parameter[1]"


NO_PATCH = {
    "another name": {"name": "operations"},
    "no type": operation(path="Patient"),
    "another type": operation(type="append", path="Patient"),
    "no path": operation(type="delete"),
    "no value": operation(type="add", path="Patient", name="active"),
    "no index": operation(type="insert", path="Patient.name", value=HUMAN),
    "a part twice": {"name": "operation", "part": [{"name": "path", "valueString": "a"}] * 2},
    "no expression": operation(type="delete", path="Patient.name["),
    "a long path": operation(type="delete", path="Patient" + ".name" * 200),
    "a regular expression": operation(type="delete", path="Patient.name.where(family.matches('(a+)+$'))"),
    "repetition": operation(type="delete", path="Patient.repeat(name)"),
    "another resource": operation(type="delete", path="Patient.generalPractitioner.resolve()"),
    "a variable": operation(type="delete", path="%resource.name"),
}


@pytest.mark.conformance("L7")
@pytest.mark.parametrize("parameter", NO_PATCH.values(), ids=NO_PATCH)
def test_what_is_no_patch_is_refused(parameter):
    with pytest.raises(InvalidInput) as refused:
        patched(operation(type="delete", path="Patient.photo"), parameter)
    assert refused.value.issues[0].place.expression == "Parameters.parameter[1]"


@pytest.mark.parametrize(
    "tree",
    [
        {"resourceType": "Patient"},
        {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": 3}]},
        {"resourceType": "Parameters", "parameter": [{"valueString": "x"}]},
    ],
)
def test_what_is_no_parameters_resource_is_refused(tree):
    with pytest.raises(InvalidInput):
        fhirpath_patch(tree)


@pytest.mark.conformance("L7")
@pytest.mark.parametrize(
    "path",
    [
        "Patient.name.where(" * 24 + "use='a'" + ")" * 24,
        "(" * 240 + "Patient" + ")" * 240,
        "Patient" + "|Patient" * 60,
    ],
)
def test_hostile_paths_take_little_time(path):
    tree = {**PATIENT, "name": [{"family": "x" * 100, "given": ["a"] * 100}] * 100}
    began = time.perf_counter()
    with pytest.raises((RuleViolation, InvalidInput)):
        patched(operation(type="replace", path=path, value=HUMAN), tree=tree)
    assert time.perf_counter() - began < 5

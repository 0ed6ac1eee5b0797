"""The profiles that R4 itself publishes, held against its official examples and copies with one fault."""

import copy
from collections import Counter
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from r4_examples import example_files

from service.errors import Severity
from service.fhir.json import reread
from service.fhir.validation.profiles import Definitions, check_profiles, claimed

BASE = "http://hl7.org/fhir/StructureDefinition/"
SOURCE = "hl7.fhir.r4.examples 4.0.1"
VITAL_SIGNS = {  # observation-vitalsigns.html, the table of codes
    "9279-1": "resprate",
    "8867-4": "heartrate",
    "2708-6": "oxygensat",
    "8310-5": "bodytemp",
    "8302-2": "bodyheight",
    "9843-4": "headcircum",
    "29463-7": "bodyweight",
    "39156-5": "bmi",
    "85354-9": "bp",
}
# Its category says vital-signs, but it has no effective[x], which the profile requires.
NOT_VITAL_SIGNS = {"f202"}
Tree = dict[str, Any]


@cache
def definitions() -> Definitions:
    return Definitions()


@cache
def vital_signs() -> tuple[tuple[str, Tree], ...]:
    """The official Observations with the code of a vital sign, each with its profile."""
    found = []
    for file in example_files("Observation"):
        example = reread(file.read_bytes())
        codes = {one.get("code") for one in example["code"].get("coding", ())} & VITAL_SIGNS.keys()
        if codes and example["id"] not in NOT_VITAL_SIGNS:
            found.append((BASE + VITAL_SIGNS[codes.pop()], example))
    return tuple(found)


def errors(resource: Tree, *profiles: str) -> list[tuple[str, str]]:
    found = check_profiles(resource, profiles, definitions())
    return [(one.path, one.rule.removeprefix(BASE)) for one in found if one.severity == Severity.ERROR]


@pytest.mark.conformance("E7")
@pytest.mark.published(SOURCE)
def test_every_example_conforms_to_what_it_claims(tell):
    counted = Counter()
    for file in example_files("*"):
        example = reread(file.read_bytes())
        for profile in claimed(example):
            assert errors(example, profile) == [], file.name
            counted[profile] += 1
    tell(f"{counted.total()} claims of official examples hold ({len(counted)} profiles)")
    assert counted.total() > 1_900


@pytest.mark.published(SOURCE)
def test_examples_of_vital_signs_conform_to_the_profile_of_their_code(tell):
    for profile, example in vital_signs():
        assert errors(example, profile, f"{BASE}vitalsigns") == [], example["id"]
    tell(f"{len(vital_signs())} official vital signs conform to the profile of their code")
    assert len({profile for profile, _ in vital_signs()}) == len(VITAL_SIGNS)


def _without(*path: str) -> Callable[[Tree], None]:
    return lambda resource: _owner(resource, path).pop(path[-1])


def _with(value: Any, *path: str) -> Callable[[Tree], None]:
    return lambda resource: _owner(resource, path).update({path[-1]: value})


def _owner(resource: Any, path: tuple[str, ...]) -> Any:
    for step in path[:-1]:
        resource = resource[int(step) if step.isdigit() else step]
    return resource


FAULTS: dict[str, tuple[Callable[[Tree], Any], str]] = {
    "no subject": (_without("subject"), ".subject"),
    "a subject of another type": (_with("Group/1", "subject", "reference"), ".subject"),
    "no category": (_without("category"), ".category"),
    "another category": (_with("laboratory", "category", "0", "coding", "0", "code"), ".category"),
    "only the year": (_with("2012", "effectiveDateTime"), ".effectiveDateTime"),
    "another code": (
        _with([{"system": "http://loinc.org", "code": "1-1"}], "code", "coding"),
        ".code.coding",
    ),
    "no code's system": (_without("code", "coding", "0", "system"), ".code.coding"),
    "a value of another type": (
        lambda one: one.update(valueString=str(one.pop("valueQuantity"))),
        ".valueString",
    ),
    "another unit": (_with("furlong", "valueQuantity", "code"), ".valueQuantity.code"),
    "no unit": (_without("valueQuantity", "unit"), ".valueQuantity.unit"),
    "another system of units": (
        _with("http://example.org", "valueQuantity", "system"),
        ".valueQuantity.system",
    ),
    "no value": (_without("valueQuantity"), ""),
    "a value beside components": (_with({"value": 1}, "valueQuantity"), ".valueQuantity"),
    "one component too few": (lambda one: one["component"].pop(), ".component"),
    "no systolic pressure": (_without("component", "0", "code", "coding"), ".component"),
    "another unit of a component": (
        _with("kPa", "component", "0", "valueQuantity", "code"),
        ".component[0].valueQuantity.code",
    ),
    "no value of a component": (_without("component", "0", "valueQuantity"), ".component[0]"),
}


@pytest.mark.published(SOURCE)
def test_one_fault_in_a_vital_sign_is_found_where_it_is(tell):
    tried = Counter()
    for profile, example in vital_signs():
        for name, (change, path) in FAULTS.items():
            changed = copy.deepcopy(example)
            if name == "a value beside components" and not profile.endswith("/bp"):
                continue
            try:
                change(changed)
            except (KeyError, IndexError):
                continue
            places = [where for where, _ in errors(changed, profile)]
            assert path in places, (example["id"], name, places)
            tried[name] += 1
    tell(f"{tried.total()} faults in vital signs found, of {len(tried)} kinds")
    assert tried.keys() == FAULTS.keys()


@pytest.mark.published(
    "FHIR R4 lipid-report.html: the profile's slices are closed, ordered and told by resolve()"
)
def test_the_results_of_a_lipid_report():
    names = ("cholesterol", "triglyceride", "hdlcholesterol", "ldlcholesterol")
    results = [_laboratory(name) for name in names]
    report = {
        "resourceType": "DiagnosticReport",
        "status": "final",
        "code": _fixed("lipidprofile", "DiagnosticReport.code"),
        "contained": results,
        "result": [{"reference": f"#{name}"} for name in names],
    }
    assert errors(report, f"{BASE}lipidprofile") == []
    assert errors(report | {"result": report["result"][:3]}, f"{BASE}lipidprofile") == []
    turned = report | {"result": report["result"][::-1]}
    assert {rule for _, rule in errors(turned, f"{BASE}lipidprofile")} == {
        "lipidprofile#DiagnosticReport.result"
    }
    assert errors(report | {"result": report["result"][1:]}, f"{BASE}lipidprofile") == [
        (".result", "lipidprofile#DiagnosticReport.result:Cholesterol")
    ]
    results[0]["valueQuantity"] = {"value": 1, "unit": "g"}
    found = errors(report, f"{BASE}lipidprofile")
    assert (".result[0]", "lipidprofile#DiagnosticReport.result:Cholesterol") in found


def _laboratory(name: str) -> Tree:
    """An Observation as the profile of a lipid asks for it, with what it fixes."""
    fixed = {one["path"]: _laid_down(one) for one in _elements(name)}
    ranges = {side: fixed.get(f"Observation.referenceRange.{side}") for side in ("low", "high")}
    given = {side: one for side, one in ranges.items() if one} or {"high": {"value": 1}}
    # the profile of LDL cholesterol is told by a required value set
    code = fixed["Observation.code"] or {"coding": [{"system": "http://loinc.org", "code": "18262-6"}]}
    return {
        "resourceType": "Observation",
        "id": name,
        "status": "final",
        "code": code,
        "referenceRange": [given],
    }


def _fixed(name: str, path: str) -> Tree:
    return next(_laid_down(one) for one in _elements(name) if one["path"] == path)


def _elements(name: str) -> list[Tree]:
    return definitions().structure(BASE + name)["differential"]["element"]


def _laid_down(element: Tree) -> Any:
    return next((value for key, value in element.items() if key.startswith(("fixed", "pattern"))), None)

"""What the intake writes conforms to the profiles it claims; copies with one fault do not."""

import copy
from collections import Counter, defaultdict
from typing import Any

import pytest
from demo_store import Demo
from written_profiles import BASE, at, known, profile, sliced

from service.errors import Severity
from service.fhir.canonical import CANONICAL_ROOT, code_system
from service.fhir.json import reread
from service.fhir.validation import check
from service.fhir.validation.profiles import Definitions, check_profiles, claimed
from service.fhir.validation.profiles.base_types import own_profiles
from service.operations.record_goal_attainment import record_goal_attainment
from service.terminology.codes import codes

OURS = f"{CANONICAL_ROOT}/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/"
PFE = "http://hl7.org/fhir/us/pacio-pfe/StructureDefinition/"
OWN_CODES = code_system("swallow-observation")
Tree = dict[str, Any]


@pytest.fixture(scope="module")
def authored(tmp_path_factory):
    """Everything stored after the whole demo was taken in and the attainment of one person recorded."""
    demo = Demo.of(tmp_path_factory.mktemp("demo"))

    async def everything():
        for person in ("demo-01", "demo-02"):
            await record_goal_attainment(
                demo.store,
                await _id_of(demo, person),
                demo.context.clock().date(),
                context=demo.context,
                codes=codes("all"),
            )
        return [reread(version.content) async for version in demo.store.changes() if version.content]

    return demo.run(everything())


async def _id_of(demo, person):
    async def work(txn):
        (found,) = await txn.find("Patient", "https://clinic.example.org/patients", person)
        return found.id

    return await demo.store.write("find", work)


@pytest.fixture(scope="module")
def definitions():
    return Definitions()


def test_what_is_written_conforms_to_what_it_claims(authored, definitions, tell):
    claims, unknown = Counter(), Counter()
    for resource in authored:
        assert [one for one in check(resource) if one.severity == Severity.ERROR] == []
        for canonical in claimed(resource):
            found = check_profiles(resource, [canonical], definitions)
            if definitions.structure(canonical) is None:
                unknown[canonical] += 1
            else:
                assert found == [], (resource["id"], canonical)
                claims[canonical] += 1
    tell(f"{claims.total()} claims of {len(authored)} authored resources hold ({len(claims)} profiles)")
    assert authored_profiles() - {one.removeprefix(OURS) for one in claims} == set()
    # Guides that are not loaded; what they require is tried below.
    assert all(one.startswith((US_CORE, PFE)) for one in unknown)


def authored_profiles():
    """Names of our profiles; those of research releases are claimed and broken in the tests of releases."""
    names = {one["id"] for one in own_profiles().values() if one["type"] != "Extension"}
    return {name for name in names if not name.startswith("deidentified-")}


@pytest.fixture(scope="module")
def examples(authored):
    """The richest authored resource of each of our profiles."""
    found: dict[str, Tree] = {}
    for resource in authored:
        for name in (one.removeprefix(OURS) for one in claimed(resource) if one.startswith(OURS)):
            if len(str(resource)) > len(str(found.get(name, ""))):
                found[name] = resource
    return found


def _part(resource: Tree, code: str) -> Tree:
    """The component with one of our codes."""
    return next(
        part
        for part in resource["component"]
        if any(one.get("code") == code for one in part["code"]["coding"])
    )


def _extension(resource: Tree, name: str) -> Tree:
    return next(one for one in resource["extension"] if one["url"] == OURS + name)


def _drop_part(code: str):
    return lambda one: one["component"].remove(_part(one, code))


def _drop_extension(name: str):
    return lambda one: one["extension"].remove(_extension(one, name))


def _set(value: Any, code: str, name: str = "valueInteger"):
    return lambda one: _part(one, code).update({name: value})


def _concept(code: str) -> Tree:
    return {"coding": [{"system": OWN_CODES, "code": code}]}


FAULTS = {
    "bolus": [
        (_drop_part("airway-invasion-8pt"), "Observation.component:airway-invasion-8pt"),
        (_set(9, "airway-invasion-8pt"), "Observation.component:airway-invasion-8pt.value[x]"),
        (
            _set(_concept("thin"), "bolus-consistency", "valueCodeableConcept"),
            "Observation.component:bolus-consistency.value[x]",
        ),
        (
            lambda one: _part(one, "bolus-volume")["valueQuantity"].update(code="L"),
            "Observation.component:bolus-volume.value[x]",
        ),
        (lambda one: one.pop("partOf"), "Observation.partOf"),
        (lambda one: one.update(valueString="clear"), "Observation.value[x]"),
    ],
    "trial": [
        (lambda one: one.update(valueCodeableConcept=_concept("closed")), "Observation.value[x]"),
        (_drop_part("training-block"), "Observation.component:training-block"),
        (_set(0, "trial-number"), "Observation.component:trial-number.value[x]"),
        (lambda one: one["component"].append(_part(one, "posture")), "Observation.component:posture"),
    ],
    "trial-judgement": [
        (lambda one: one.update(performer=[{"reference": "Practitioner/1"}]), "Observation.performer"),
        (lambda one: one.pop("focus"), "Observation.focus"),
        (lambda one: one.pop("method"), "Observation.method"),
    ],
    "training-block": [(lambda one: one.pop("hasMember"), "Observation.hasMember")],
    "training-session": [(lambda one: one.pop("partOf"), "Observation.partOf")],
    "practice-day": [
        (lambda one: one.pop("valueQuantity"), "Observation.value[x]"),
        (_drop_part("exercise"), "Observation.component:exercise"),
    ],
    "practice-log": [
        (
            lambda one: one.update(effectiveDateTime=one.pop("effectivePeriod")["start"]),
            "Observation.effective[x]",
        )
    ],
    "breath-hold-clearance": [
        (lambda one: one.update(performer=[{"reference": "Patient/1"}]), "Observation.performer")
    ],
    "computed-goal-status": [
        (lambda one: one.pop("focus"), "Observation.focus"),
        (_drop_part("status-rule"), "Observation.component:status-rule"),
        (_drop_part("criterion-met"), "Observation.component:criterion-met"),
        (_drop_part("visits-at-target-in-a-row"), "Observation.component:visits-at-target-in-a-row"),
    ],
    "computed-goal-value": [(lambda one: one.update(code=_concept("eat10-total")), "Observation.code")],
    "swallow-study": [(lambda one: one.update(code=_concept("bolus-swallow")), "Procedure.code")],
    "training-procedure": [
        (
            lambda one: one.update(performedDateTime=one.pop("performedPeriod")["start"]),
            "Procedure.performed[x]",
        )
    ],
    "swallow-study-report": [(lambda one: one.pop("result"), "DiagnosticReport.result")],
    "goal": [
        (_drop_extension("goal-criterion"), "Goal.extension:goal-criterion"),
        (
            lambda one: one["target"][0]["detailQuantity"].pop("comparator"),
            "Goal.target.detail[x].comparator",
        ),
        (lambda one: one["target"][0].update(measure=_concept("posture")), "Goal.target.measure"),
        (
            lambda one: one["extension"].append(_extension(one, "goal-baseline")),
            "Goal.extension:goal-baseline",
        ),
        (
            lambda one: _extension(one, "goal-criterion")["extension"].pop(0),
            "goal-criterion#Extension.extension:visits",
        ),
    ],
    "home-plan": [
        (lambda one: one["category"].pop(), "CarePlan.category:home-exercise-plan"),
        (lambda one: one.update(intent="order"), "CarePlan.intent"),
        (
            lambda one: _extension(one, "plan-stop-rules").update(valueString="stop"),
            "plan-stop-rules#Extension.value[x]",
        ),
    ],
    "exercise": [
        (_drop_extension("exercise-sets"), "ServiceRequest.extension:exercise-sets"),
        (
            lambda one: _extension(one, "exercise-days-per-week").update(valuePositiveInt=8),
            "exercise-days-per-week#Extension.value[x]",
        ),
        (
            lambda one: one["occurrenceTiming"]["repeat"].pop("frequency"),
            "ServiceRequest.occurrence[x].repeat.frequency",
        ),
    ],
}


@pytest.mark.parametrize("name", FAULTS)
def test_one_fault_in_an_authored_resource_is_found(name, examples, definitions):
    for change, rule in FAULTS[name]:
        changed = copy.deepcopy(examples[name])
        change(changed)
        found = {one.rule.removeprefix(OURS) for one in check_profiles(changed, [OURS + name], definitions)}
        assert (rule if "#" in rule else f"{name}#{rule}") in found, (rule, found)


def test_each_of_our_profiles_has_a_fault_that_is_tried():
    assert authored_profiles() == FAULTS.keys()


def _required(name: str, type_: str, *paths: str, more: tuple[Tree, ...] = ()) -> Tree:
    elements = [at(f"{type_}.{path}", min=1) for path in paths]
    return profile(name, type_, *elements, *more)


VALUE_OR_REASON = {
    "key": "us-core-2",
    "severity": "error",
    "human": "Without component or member, a value or the reason of its absence is needed",
    "expression": "(component.empty() and hasMember.empty()) implies "
    "(dataAbsentReason.exists() or value.exists())",
}
ASSESS_PLAN = {
    "coding": [{"system": "http://hl7.org/fhir/us/core/CodeSystem/careplan-category", "code": "assess-plan"}]
}
REQUIRED = {
    f"{US_CORE}us-core-patient": _required(
        "patient", "Patient", "identifier", "identifier.system", "identifier.value", "name", "gender"
    ),
    f"{US_CORE}us-core-condition-encounter-diagnosis": _required(
        "condition", "Condition", "category", "code", "subject"
    ),
    f"{US_CORE}us-core-encounter": _required("encounter", "Encounter", "status", "class", "type", "subject"),
    f"{US_CORE}us-core-procedure": _required(
        "procedure", "Procedure", "status", "code", "subject", "performed[x]"
    ),
    f"{US_CORE}us-core-diagnosticreport-note": _required(
        "report", "DiagnosticReport", "status", "category", "code", "subject", "effective[x]"
    ),
    f"{US_CORE}us-core-simple-observation": _required(
        "simple",
        "Observation",
        "status",
        "category",
        "code",
        "subject",
        "effective[x]",
        more=(at("Observation", constraint=[VALUE_OR_REASON]),),
    ),
    f"{US_CORE}us-core-careplan": _required(
        "careplan",
        "CarePlan",
        "text",
        "status",
        "intent",
        "subject",
        more=(
            sliced("CarePlan.category", "pattern:$this"),
            at("CarePlan.category:AssessPlan", min=1, max="1", patternCodeableConcept=ASSESS_PLAN),
        ),
    ),
    f"{PFE}pfe-goal": _required("pfe-goal", "Goal", "lifecycleStatus", "description", "subject"),
    f"{PFE}pfe-observation-clinicaltest": _required(
        "clinicaltest", "Observation", "status", "category", "code", "subject", "effective[x]", "performer"
    ),
    f"{PFE}pfe-service-request": _required(
        "request", "ServiceRequest", "status", "intent", "code", "subject"
    ),
}


@pytest.mark.published("US Core 6.1.0, PACIO PFE 2.0.0: what their profiles require (from memory)")
def test_what_the_american_guides_require_is_there(authored, tell):
    definitions = known(*REQUIRED.values())
    held: dict[str, int] = defaultdict(int)
    for resource in authored:
        for canonical in claimed(resource):
            if canonical in REQUIRED:
                assert check_profiles(resource, [REQUIRED[canonical]["url"]], definitions) == [], resource[
                    "id"
                ]
                held[canonical] += 1
    tell(
        f"required elements of {len(held)} profiles of US Core and PFE: all there in {sum(held.values())} "
        "resources"
    )
    assert held.keys() == REQUIRED.keys()


def test_vital_signs_claim_the_profiles_of_the_standard(authored):
    claims = {one for resource in authored for one in claimed(resource) if one.startswith(BASE)}
    assert claims == {BASE + name for name in ("bp", "bodyweight", "heartrate", "oxygensat")}

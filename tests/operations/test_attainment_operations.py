"""The two operations of goal attainment: what they are declared to be, answer, refuse and keep."""

import asyncio
import json
import re
from dataclasses import replace
from datetime import date

import pytest
from demo_store import CONTEXT, Demo

from service.errors import Forbidden, Gone, NotFound
from service.fhir.json import dump, parse
from service.fhir.search_keys import extract
from service.fhir.validation import errors
from service.operations.goal_attainment import goal_attainment
from service.operations.record_goal_attainment import record_goal_attainment
from service.shipped import shipped
from service.terminology.codes import codes

DAY = date(2026, 3, 24)
OPERATIONS = ("goal-attainment", "record-goal-attainment")


@pytest.fixture
def demo(tmp_path):
    copy = Demo.of(tmp_path, "demo-01")
    yield copy
    copy.run(copy.store.close())


def definition(code):
    return json.loads(shipped("mappings", "operations", f"{code}.json").read_text("utf-8"))


def outputs(parameters):
    return {one["name"]: one for one in parameters if one["use"] == "out"}


def undeclared(answered, declared, at="Parameters"):
    """Every name or type in an answer that its definition does not have, and every part that is missing."""
    known, found = outputs(declared), []
    for one in answered:
        where, says = f"{at}.{one['name']}", known.get(one["name"])
        if says is None:
            found.append(where)
        elif "part" in one:
            found += undeclared(one["part"], says["part"], where)
        elif f"value{says['type'][0].upper()}{says['type'][1:]}" not in one:
            found.append(f"{where} is not of type {says['type']}")
    names = [one["name"] for one in answered]
    for name, says in known.items():
        if names.count(name) < says["min"] or (says["max"] == "1" and names.count(name) > 1):
            found.append(f"{at}.{name} {names.count(name)} times")
    return found


def compute(demo, context=CONTEXT, id_=None, day=DAY):
    id_ = id_ or demo.patient("demo-01")
    return demo.run(goal_attainment(demo.store, id_, day, context=context, codes=codes("all")))


def record(demo, context=CONTEXT, day=DAY):
    id_ = demo.patient("demo-01")
    work = record_goal_attainment(demo.store, id_, day, context=context, codes=codes("all"))
    return json.loads(demo.run(work))


def recorded(answer):
    return [one["valueReference"]["reference"] for one in answer["parameter"] if one["name"] == "recorded"]


def stored(demo):
    """Every current resource."""

    async def work():
        return [parse(version.content) async for version in demo.store.changes() if not version.deleted]

    return demo.run(work())


@pytest.mark.parametrize("code", OPERATIONS)
def test_the_definitions_are_valid_and_say_whether_they_write(code):
    found = definition(code)
    assert errors(parse(json.dumps(found))) == ()
    assert found["affectsState"] is (code == "record-goal-attainment")
    assert found["url"].endswith(f"/OperationDefinition/{code}")


@pytest.mark.parametrize("day", [date(2026, 1, 1), date(2026, 2, 3), DAY])
def test_the_answer_is_as_its_definition_says(demo, day):
    text = compute(demo, day=day)
    assert errors(parse(text)) == ()
    answer = json.loads(text)
    assert undeclared(answer["parameter"], definition("goal-attainment")["parameter"]) == []


def test_computing_writes_nothing(demo):
    before = len(stored(demo))
    compute(demo)
    assert len(stored(demo)) == before


def test_the_recorded_answer_is_as_its_definition_says(demo):
    answer = record(demo)
    assert undeclared(answer["parameter"], definition("record-goal-attainment")["parameter"]) == []


@pytest.mark.conformance("L5")
def test_results_are_kept_with_evidence_and_provenance(demo):
    before = len(stored(demo))
    names = recorded(record(demo))
    kept = {f"{one['resourceType']}/{one['id']}": one for one in stored(demo)}
    results = [kept[name] for name in names]
    statuses = [one for one in results if "valueCodeableConcept" in one]
    assert len(results) == 5  # three statuses, two computed values; an intake level is no computed value
    assert len(kept) == before + 6
    for one in results:
        assert errors(one) == ()
        assert one["derivedFrom"]
        assert {source["reference"] for source in one["derivedFrom"]} <= kept.keys()
        assert one["focus"][0]["reference"] in kept
        assert one["meta"]["security"][0]["code"] == "HTEST"
    codes_ = {one["valueCodeableConcept"]["coding"][0]["code"] for one in statuses}
    assert codes_ >= {"achieved", "sustaining"}
    (provenance,) = (one for one in kept.values() if len(one.get("target", ())) == 5)
    assert errors(provenance) == ()
    assert [one["reference"] for one in provenance["target"]] == names
    assert provenance["agent"][0]["who"]["type"] == "Device"
    assert provenance["agent"][0]["who"]["identifier"]["value"] == "1.2.0"


def test_the_value_carries_its_trials_and_interval(demo):
    names = set(recorded(record(demo)))
    (value,) = (
        one
        for one in stored(demo)
        if f"Observation/{one['id']}" in names and one["code"]["coding"][-1]["code"] == "closure-accuracy"
    )
    parts = {one["code"]["coding"][-1]["code"]: one for one in value["component"]}
    assert (value["valueQuantity"]["value"], value["valueQuantity"]["code"]) == (80, "%")
    assert parts["trials-successful"]["valueInteger"] == 4
    assert parts["trials-scored"]["valueInteger"] == 5
    assert float(parts["interval-95"]["valueRange"]["low"]["value"]) == pytest.approx(37.55, abs=0.01)


def test_what_is_kept_has_no_more_digits_than_a_research_export_lets_out(demo):
    names = set(recorded(record(demo)))
    told = [dump(one).decode() for one in stored(demo) if f"Observation/{one['id']}" in names]
    decimals = [found for text in told for found in re.findall(r'"value":-?(\d+\.\d+)', text)]
    assert decimals
    assert max(len(found) for found in decimals) <= len("37.5535")


def test_the_status_carries_its_criterion_and_the_run_that_met_it(demo):
    names = set(recorded(record(demo)))
    statuses = [
        one
        for one in stored(demo)
        if f"Observation/{one['id']}" in names and one["code"]["coding"][-1]["code"] == "goal-status-computed"
    ]
    (found,) = (one for one in statuses if "8 of 10" in one["text"]["div"])
    parts = {
        one["code"]["coding"][-1]["code"]: next(one[name] for name in one if name.startswith("value"))
        for one in found["component"]
    }
    interval = parts.pop("run-interval-95")
    assert parts == {
        "status-rule": 3,
        "criterion-met": True,
        "criterion-visits": 2,
        "visits-at-target-in-a-row": 2,
        "run-period": {"start": "2026-03-10", "end": "2026-03-24"},
        "run-visits": 2,
        "run-trials-successful": 8,
        "run-trials-scored": 10,
    }
    ends = [float(interval[side]["value"]) for side in ("low", "high")]
    assert ends == pytest.approx([49.02, 94.33], abs=0.01)
    said = "Criterion met by: 2 visits, 2026-03-10 to 2026-03-24; 8 of 10 trials (95 %: 49.0 to 94.3 %)"
    assert said in found["text"]["div"]


def test_before_the_criterion_is_met_there_is_no_run(demo):
    names = set(recorded(record(demo, day=date(2026, 2, 17))))
    statuses = [
        {part["code"]["coding"][-1]["code"]: part for part in one["component"]}
        for one in stored(demo)
        if f"Observation/{one['id']}" in names and one["code"]["coding"][-1]["code"] == "goal-status-computed"
    ]
    assert statuses
    for parts in statuses:
        assert parts["criterion-met"]["valueBoolean"] is False
        assert not any(name.startswith("run-") for name in parts)


def test_recording_again_writes_nothing(demo):
    first = record(demo)
    before = len(stored(demo))
    second = record(demo)
    assert recorded(second) == recorded(first)
    assert len(stored(demo)) == before


def test_recording_changes_no_later_result(demo):
    before = json.loads(compute(demo))
    record(demo)
    assert json.loads(compute(demo)) == before


def test_recording_leaves_goals_as_they_are(demo):
    def goals():
        return [one for one in stored(demo) if one["resourceType"] == "Goal"]

    before = goals()
    record(demo)
    assert goals() == before


def test_a_patient_who_is_not_there(demo):
    with pytest.raises(NotFound, match="Patient/nobody is not known"):
        compute(demo, id_="nobody")


def test_a_patient_who_was_deleted(demo):
    id_ = demo.patient("demo-01")

    async def work(txn):
        await txn.delete("Patient", id_)

    demo.run(demo.store.write("delete", work))
    with pytest.raises(Gone, match="was deleted"):
        compute(demo, id_=id_)


def refusing(refused):
    def allow(action, type_):
        if (action, type_) == refused:
            raise Forbidden(f"{action} {type_}")

    return replace(CONTEXT, allow=allow)


@pytest.mark.parametrize("refused", [("r", "Patient"), ("r", "Goal"), ("r", "Observation")])
def test_whoever_may_not_read_gets_no_answer(demo, refused):
    with pytest.raises(Forbidden):
        compute(demo, refusing(refused))


@pytest.mark.parametrize("refused", [("r", "Goal"), ("c", "Observation"), ("c", "Provenance")])
def test_whoever_may_not_write_records_nothing(demo, refused):
    before = len(stored(demo))
    with pytest.raises(Forbidden):
        record(demo, refusing(refused))
    assert len(stored(demo)) == before


def closure(demo):
    goals = [one["part"] for one in json.loads(compute(demo))["parameter"] if one["name"] == "goal"]
    parts = [{part["name"]: part for part in goal} for goal in goals]
    (found,) = (
        one
        for one in parts
        if one["measure"]["valueCodeableConcept"]["coding"][-1]["code"] == "closure-accuracy"
    )
    return found["computedStatus"]["valueCode"], found["denominator"]["valueInteger"]


def test_an_observation_entered_in_error_is_out_of_every_result(demo):
    assert closure(demo) == ("achieved", 5)
    (trial,) = (
        one
        for one in stored(demo)
        if "demo-01-visit-6/pre/5" in str(one.get("identifier")) and "focus" not in one
    )
    trial["status"] = "entered-in-error"

    async def work(txn):
        await txn.put("Observation", trial["id"], dump(trial), extract(trial, zone=CONTEXT.zone))

    demo.run(demo.store.write("mark in error", work))
    assert closure(demo) == ("improving", 4)


def test_it_can_be_asked_by_many_at_once(demo):
    id_ = demo.patient("demo-01")

    async def many():
        one = [goal_attainment(demo.store, id_, DAY, context=CONTEXT, codes=codes("all")) for _ in range(8)]
        return set(await asyncio.gather(*one))

    assert len(demo.run(many())) == 1


def test_doubt_stands_beside_the_numbers(demo):
    answer = json.loads(compute(demo))["parameter"]
    goals = [
        {part["name"]: part.get("part") for part in one["part"]} for one in answer if one["name"] == "goal"
    ]
    said = {part["name"]: part for part in goals[0]["luck"]}
    assert said["rate"]["valueQuantity"]["value"] == 60
    assert said["visits"]["valuePositiveInt"] == 6
    assert round(said["criterion"]["valueQuantity"]["value"]) == 39
    (own,) = [one["part"] for one in answer if one["name"] == "selfJudgement"]
    d_prime = next(part["valueDecimal"] for part in own if part["name"] == "dPrime")
    assert d_prime == pytest.approx(2.057404, abs=1e-6)  # 16 hits of 16, 6 false alarms of 14

"""Plan, practice, goals, safety, function, people."""

from datetime import date
from decimal import Decimal

import pytest
from sample_visits import bundle_of, component_of, parts_of, visit_tree

from service.fhir.validation import errors
from service.records.known import Known, KnownLine, KnownPlan


def value_of(resource, name):
    for one in resource["extension"]:
        if one["url"].endswith(f"/{name}"):
            return next(value for key, value in one.items() if key != "url")
    raise KeyError(name)


@pytest.mark.parametrize(
    ("days", "repeat"),
    [
        (7, {"frequency": 3, "period": 1, "periodUnit": "d"}),
        (5, {"frequency": 15, "period": 1, "periodUnit": "wk"}),
    ],
)
def test_a_plan_line_says_how_often_how_many_and_for_how_long(days, repeat):
    tree = visit_tree("demo-04-visit-5")
    tree["home_plan"]["lines"][0]["days_per_week"] = days
    tree["home_plan"]["lines"][0]["meals"] = {"timing": ["during"], "phases": ["hold"], "cough_after": "yes"}
    line = parts_of(bundle_of(tree))["home-plan/closure"]
    assert {name: line["occurrenceTiming"]["repeat"][name] for name in repeat} == repeat
    assert line["occurrenceTiming"]["repeat"]["boundsDuration"]["value"] == 14
    assert line["quantityQuantity"]["value"] == 10
    assert value_of(line, "exercise-sets") == 1
    assert value_of(line, "exercise-sessions-per-day") == 3
    assert value_of(line, "exercise-days-per-week") == days
    assert [part["url"] for part in value_of(line, "exercise-meals")] == ["timing", "phase", "coughAfter"]
    assert errors(line) == ()


def test_a_plan_holds_its_lines_goals_and_stop_rules():
    made = parts_of(bundle_of(visit_tree("demo-04-visit-5")))
    plan = made["home-plan"]
    assert plan["status"] == made["home-plan/closure"]["status"] == "on-hold"
    assert plan["goal"] == [{"reference": "Goal/closure"}]
    assert value_of(plan, "plan-status-reason").startswith("fever")
    assert value_of(plan, "plan-stop-rules")[2] == {"url": "teachBack", "valueBoolean": True}
    assert plan["category"][0]["coding"][0]["code"] == "assess-plan"


def plan(start, end=None, daily=30, days=7):
    return KnownPlan("CarePlan/p", start, end, {"closure": KnownLine("ServiceRequest/s", daily, days)})


def test_prescribed_repetitions_follow_the_plan_in_force_day_by_day():
    first, second = plan(date(2026, 2, 1), date(2026, 2, 9)), plan(date(2026, 2, 10), daily=10)
    known = Known(plans=(first, second))
    assert known.prescribed(date(2026, 2, 8), date(2026, 2, 11)) == 30 + 30 + 10 + 10
    assert known.prescribed(date(2026, 1, 1), date(2026, 1, 7)) is None
    same_day = Known(plans=(plan(date(2026, 2, 1), date(2026, 2, 1)), plan(date(2026, 2, 1), daily=10)))
    assert same_day.prescribed(date(2026, 1, 30), date(2026, 2, 2)) == 20
    assert (
        Known(plans=(plan(date(1, 1, 1), date(9999, 12, 30), daily=1),)).prescribed(
            date(1, 1, 1), date(9999, 12, 31)
        )
        == (date(9999, 12, 30) - date(1, 1, 1)).days + 1
    )
    assert (
        Known(plans=(plan(date(2026, 2, 1), days=5),)).prescribed(date(2026, 2, 2), date(2026, 2, 8)) == 150
    )


def test_a_practice_day_keeps_zero_and_names_its_plan_line():
    tree = visit_tree("demo-04-visit-5")
    known = Known(goals={"closure": "Goal/closure"}, plans=(plan(date(2026, 9, 1)),))
    made = parts_of(bundle_of(tree, known=known))
    day = made["practice/closure/2026-09-26"]
    assert day["valueQuantity"]["value"] == 0
    assert day["effectiveDateTime"] == "2026-09-26"
    assert day["basedOn"] == [{"reference": "ServiceRequest/s"}]
    assert component_of(day, "repetitions-prescribed")[0]["valueQuantity"]["value"] == 30
    log = made["practice"]
    assert log["effectivePeriod"] == {"start": "2026-09-14", "end": "2026-09-27"}
    assert component_of(log, "repetitions-prescribed")[0]["valueQuantity"]["value"] == 420
    assert len(log["hasMember"]) == 14
    assert log["performer"] == [log["subject"]]


def test_a_log_not_returned_is_not_a_log_of_nothing():
    made = parts_of(bundle_of(visit_tree("demo-05-visit-5")))
    assert made["practice"]["valueCodeableConcept"]["coding"][-1]["code"] == "not-returned"
    assert "hasMember" not in made["practice"]


def test_a_goal_carries_target_criterion_and_baseline():
    tree = visit_tree("demo-01-visit-1")
    made = parts_of(bundle_of(tree))
    goal = made["goals/closure"]
    detail = goal["target"][0]["detailQuantity"]
    assert (detail["comparator"], detail["value"], detail["code"]) == (">=", 80, "%")
    assert {part["url"]: part for part in value_of(goal, "goal-criterion")}["visits"]["valuePositiveInt"] == 2
    assert made["goals/closure/baseline"]["valueQuantity"]["value"] == 20
    assert component_of(made["goals/closure/baseline"], "trials-scored")[0]["valueInteger"] == 5
    assert len(goal["addresses"]) == len(tree["conditions"])


def test_a_goal_is_better_on_the_side_of_its_measure():
    tree = visit_tree("demo-01-visit-1")
    tree["goals"][0]["targets"] = [{"measure": "judgement bias", "value": Decimal("0.20")}]
    target = parts_of(bundle_of(tree))["goals/closure"]["target"][0]
    assert target["detailQuantity"]["comparator"] == "<="
    assert str(target["detailQuantity"]["value"]) == "0.20"


def test_scaling_levels_keep_their_statements_from_worst_to_best():
    tree = visit_tree("demo-01-visit-1")
    tree["goals"][0]["scaling"] = {
        "statements": {"+2": "e", "+1": "d", "0": "c", "-1": "b", "-2": "a"},
        "ranges": {"0": [Decimal("80.0"), Decimal("99.9")]},
        "baseline_level": -1,
    }
    goal = parts_of(bundle_of(tree))["goals/closure"]
    levels = [one["extension"] for one in goal["extension"] if one["url"].endswith("/goal-scaling-level")]
    assert [level[0]["valueInteger"] for level in levels] == [-2, -1, 0, 1, 2]
    assert [part["url"] for part in levels[2]] == ["level", "statement", "low", "high"]
    assert errors(goal) == ()


def test_red_flags_answered_yes_are_flagged():
    made = parts_of(bundle_of(visit_tree("demo-04-visit-5")))
    assert {path for path in made if path.startswith("red-flags/")} == {
        "red-flags/fever", "red-flags/new-wet-voice", "red-flags/weight-loss",
    }  # fmt: skip
    assert made["red-flags/fever"]["status"] == "active"
    assert len(made["red-flags"]["component"]) == 10


def test_an_item_of_the_sites_own_is_sent_in_words():
    tree = visit_tree("demo-04-visit-5")
    tree["red_flags"] = {"house_rule": "yes"}
    made = parts_of(bundle_of(tree))
    assert made["red-flags/house-rule"]["code"] == {"text": "house_rule"}


def test_a_limited_clearance_raises_a_flag_by_the_physician():
    made = parts_of(bundle_of(visit_tree("demo-05-visit-1")))
    assert made["clearance"]["valueCodeableConcept"]["coding"][-1]["code"] == "limited"
    assert made["clearance/flag"]["author"] == made["clearance"]["performer"][0]


@pytest.mark.parametrize(
    ("decision", "status", "provision"),
    [("permit", "active", "permit"), ("deny", "active", "deny"), ("withdrawn", "inactive", "deny")],
)
def test_research_permission(decision, status, provision):
    tree = visit_tree("demo-01-visit-1")
    tree["research_consent"] = {"decision": decision, "date": "2026-02-03"}
    consent = parts_of(bundle_of(tree))["consent"]
    assert (consent["status"], consent["provision"]["type"]) == (status, provision)
    assert consent["scope"]["coding"][0]["code"] == "research"
    assert errors(consent) == ()


def test_weight_and_blood_pressure_keep_their_digits_and_units():
    made = parts_of(bundle_of(visit_tree("demo-04-visit-5")))
    weight = made["function/weight"]["valueQuantity"]
    assert (str(weight["value"]), weight["code"]) == ("73.80", "kg")
    assert made["function/weight"]["code"]["coding"][0]["code"] == "29463-7"
    pressure = made["vital-signs/blood-pressure"]["component"]
    assert [part["code"]["coding"][0]["code"] for part in pressure] == ["8480-6", "8462-4"]


def test_one_pressure_alone_leaves_the_other_absent():
    tree = visit_tree("demo-04-visit-5")
    tree["visit"]["vital_signs"] = {"systolic": 118}
    pressure = parts_of(bundle_of(tree))["vital-signs/blood-pressure"]["component"]
    assert pressure[1]["dataAbsentReason"]["coding"][0]["code"] == "unknown"


def test_an_adverse_event_keeps_what_was_done():
    tree = visit_tree("demo-04-visit-5")
    tree["visit"]["endoscopy"]["tolerance"] = [{"event": "gagging", "action": "endoscope withdrawn"}]
    tree["visit"]["endoscopy"]["anaesthetic"] = [{"agent": "lidocaine", "side": "left"}]
    made = parts_of(bundle_of(tree))
    event = made["adverse/1"]
    assert value_of(event, "adverse-event-action") == "endoscope withdrawn"
    assert "dosage" not in made["anaesthetic/1"]
    assert made["anaesthetic/1"]["note"] == [{"text": "Side: left"}]
    assert errors(event) == errors(made["anaesthetic/1"]) == ()


def test_clinicians_are_created_once_and_never_overwritten():
    bundle = bundle_of(visit_tree("demo-05-visit-1"))
    people = [entry for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Practitioner"]
    assert all(entry["request"]["method"] == "POST" and entry["request"]["ifNoneExist"] for entry in people)
    assert len(people) == len({entry["fullUrl"] for entry in people}) == 4


def test_a_condition_of_unknown_cause_and_unknown_onset_is_said_so():
    tree = visit_tree("demo-01-visit-1")
    tree["conditions"] = [{"code": "cause not known", "onset": "unknown"}]
    condition = parts_of(bundle_of(tree))["conditions/1"]
    assert condition["code"]["coding"][0]["code"] == "399122003"
    assert condition["onsetString"] == "unknown"
    assert errors(condition) == ()


def test_a_time_without_offset_is_in_the_sites_zone():
    tree = visit_tree("demo-01-visit-1")
    tree["visit"] |= {"start": "2026-07-01T09:00", "end": "2026-07-01T10:00"}
    period = parts_of(bundle_of(tree))[""]["period"]
    assert period == {"start": "2026-07-01T09:00:00-04:00", "end": "2026-07-01T10:00:00-04:00"}

"""Long-lived things across visits: goals, plans, episodes, flags."""

import asyncio

import pytest
from intake_desk import Desk
from sample_visits import visit_tree

from service.fhir.validation import errors

FIRST, SECOND, THIRD = "demo-04-visit-1", "demo-04-visit-2", "demo-04-visit-3"


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    desk.send(visit_tree(FIRST))
    yield desk
    asyncio.run(desk.store.close())


def reviewed(name, **review):
    tree = visit_tree(name)
    tree["goal_reviews"] = [{"goal": "closure", **review}] if review else []
    return tree


def goal(desk):
    found = desk.part(f"{FIRST}/goals/closure")
    achieved = found.get("achievementStatus", {}).get("coding", [{}])[0].get("code")
    return found["lifecycleStatus"], achieved, found["statusDate"], found.get("statusReason")


def test_a_review_becomes_the_goals_status(desk):
    desk.send(reviewed(SECOND, lifecycle_status="on-hold", reason="fever"))
    assert goal(desk) == ("on-hold", None, "2026-08-17", "fever")


def test_a_review_of_achievement_alone_keeps_the_stage(desk):
    desk.send(reviewed(SECOND, achievement_status="improving"))
    assert goal(desk) == ("active", "improving", "2026-08-17", None)


def test_a_removed_review_falls_back_to_the_statement_before(desk):
    desk.send(reviewed(SECOND, lifecycle_status="on-hold", reason="fever"), reviewed(SECOND))
    assert goal(desk) == ("active", None, "2026-08-03", None)


def test_the_newest_review_wins_in_whatever_order_they_come(desk):
    desk.send(
        reviewed(THIRD, lifecycle_status="active", achievement_status="worsening"),
        reviewed(SECOND, lifecycle_status="on-hold", reason="fever"),
    )
    assert goal(desk) == ("active", "worsening", "2026-08-31", None)


def test_the_goals_own_record_again_does_not_undo_a_review(desk):
    desk.send(reviewed(SECOND, lifecycle_status="on-hold", reason="fever"))
    assert desk.send(visit_tree(FIRST)).changed == ()
    assert goal(desk)[0] == "on-hold"


def test_a_newer_status_written_over_fhir_stays(desk):
    desk.send(reviewed(SECOND, lifecycle_status="on-hold", reason="fever"))
    written = desk.part(f"{FIRST}/goals/closure")
    desk.put(
        written | {"lifecycleStatus": "cancelled", "statusDate": "2026-08-20", "statusReason": "moved away"}
    )
    desk.send(visit_tree(FIRST), reviewed(SECOND, lifecycle_status="on-hold", reason="high fever"))
    assert goal(desk) == ("cancelled", None, "2026-08-20", "moved away")
    desk.send(reviewed(THIRD, lifecycle_status="active"))
    assert goal(desk) == ("active", None, "2026-08-31", None)


def test_a_goal_taken_out_of_its_record_is_an_error(desk):
    tree = visit_tree(FIRST)
    key = tree["goals"].pop()["key"]
    for line in tree["home_plan"]["lines"]:
        line["goals"] = [goal for goal in line["goals"] if goal != key]
    desk.send(tree)
    assert desk.part(f"{FIRST}/goals/{key}")["lifecycleStatus"] == "entered-in-error"
    assert desk.part(f"{FIRST}/goals/{key}/statement")["status"] == "entered-in-error"


def with_plan(name, start, **changes):
    tree = visit_tree(name)
    tree["home_plan"] = visit_tree(FIRST)["home_plan"] | {"start": start} | changes
    return tree


def plan(desk, name):
    found = desk.part(f"{name}/home-plan")
    return found["status"], found["period"].get("end"), desk.part(f"{name}/home-plan/closure")["status"]


def test_a_new_plan_completes_the_one_before_and_its_lines(desk):
    stated_end = plan(desk, FIRST)[1]
    desk.send(with_plan(SECOND, "2026-08-18"))
    assert plan(desk, FIRST) == ("completed", "2026-08-17", "completed")
    assert plan(desk, SECOND)[0] == "active"
    first = desk.part(f"{FIRST}/home-plan")
    assert desk.part(f"{SECOND}/home-plan")["replaces"] == [{"reference": f"CarePlan/{first['id']}"}]
    assert desk.send(visit_tree(FIRST)).changed == ()
    desk.send(visit_tree(SECOND) | {"home_plan": None})
    assert plan(desk, FIRST) == ("active", stated_end, "active")
    assert desk.part(f"{SECOND}/home-plan")["status"] == "entered-in-error"


def test_plans_come_to_the_same_in_any_order(desk):
    desk.send(with_plan(THIRD, "2026-09-01"), with_plan(SECOND, "2026-08-18"))
    assert plan(desk, FIRST)[:2] == ("completed", "2026-08-17")
    assert plan(desk, SECOND)[:2] == ("completed", "2026-08-31")
    second = desk.part(f"{SECOND}/home-plan")
    assert desk.part(f"{THIRD}/home-plan")["replaces"] == [{"reference": f"CarePlan/{second['id']}"}]


def test_a_discharge_visit_finishes_its_episode(desk):
    (first, *others) = desk.all("EpisodeOfCare")
    assert others == []
    assert first["status"] == "active"
    tree = visit_tree(SECOND)
    tree["visit"]["type"] = "discharge"
    desk.send(tree)
    (ended,) = desk.all("EpisodeOfCare")
    assert (ended["status"], ended["period"]["end"]) == ("finished", "2026-08-17")
    assert desk.send(visit_tree(FIRST)).changed == ()
    desk.send(visit_tree(SECOND))
    (again,) = desk.all("EpisodeOfCare")
    assert (again["status"], "end" in again["period"]) == ("active", False)


def test_a_discharge_visit_says_why_the_episode_ended(desk):
    tree = visit_tree(SECOND)
    tree["visit"] |= {"type": "discharge", "reason_for_ending": "medical change"}
    desk.send(tree)
    said = desk.part(f"{SECOND}/reason-for-ending")
    assert said["code"]["coding"][-1]["code"] == "reason-for-ending"
    assert said["valueCodeableConcept"]["coding"][-1]["code"] == "medical-change"
    assert errors(said) == ()
    desk.send(visit_tree(SECOND))
    assert desk.part(f"{SECOND}/reason-for-ending")["status"] == "entered-in-error"


def test_red_flags_end_with_the_next_checklist(desk):
    fever = visit_tree(SECOND)
    fever["red_flags"]["fever"] = "yes"
    desk.send(fever)
    assert desk.part(f"{SECOND}/red-flags/fever")["status"] == "active"
    desk.send(visit_tree(THIRD))
    ended = desk.part(f"{SECOND}/red-flags/fever")
    assert ended["status"] == "inactive"
    assert ended["period"]["end"].startswith("2026-08-31")
    assert desk.send(fever).changed == ()


def test_a_flag_ended_by_hand_stays_ended(desk):
    fever = visit_tree(SECOND)
    fever["red_flags"]["fever"] = "yes"
    desk.send(fever)
    flag = desk.part(f"{SECOND}/red-flags/fever")
    desk.put(flag | {"status": "inactive"})
    assert desk.send(fever).changed == ()
    assert desk.part(f"{SECOND}/red-flags/fever")["status"] == "inactive"

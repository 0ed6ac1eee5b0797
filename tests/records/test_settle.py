"""Which statement about a goal counts."""

from zoneinfo import ZoneInfo

from service.records.settle import settled_goal, statement

ZONE = ZoneInfo("UTC")


def said(when, *, lifecycle=None, achievement=None, number=1):
    def component(code, system, value):
        local = "https://swallow-interop.example.org/fhir/CodeSystem/swallow-observation"
        return {
            "code": {"coding": [{"system": local, "code": code}]},
            "valueCodeableConcept": {"coding": [{"system": system, "code": value}]},
        }

    parts = []
    if lifecycle:
        parts.append(component("lifecycle-status", "http://hl7.org/fhir/goal-status", lifecycle))
    if achievement:
        system = "http://terminology.hl7.org/CodeSystem/goal-achievement"
        parts.append(component("achievement-status", system, achievement))
    local = "https://swallow-interop.example.org/fhir/CodeSystem/swallow-observation"
    observation = {
        "resourceType": "Observation",
        "identifier": [{"value": f"{number}/reviews/closure"}],
        "code": {"coding": [{"system": local, "code": "goal-stated-status"}]},
        "effectiveDateTime": when,
        "component": parts,
    }
    return statement(observation, "Goal/1", ZONE)


FIRST = said("2026-02-03T09:00:00Z", lifecycle="active")
GOAL = {
    "resourceType": "Goal",
    "lifecycleStatus": "active",
    "statusDate": "2026-02-03",
    "description": {"text": "x"},
}
META = {"meta": {"lastUpdated": "2026-02-05T09:00:00.000Z"}}


def status(goal):
    return goal["lifecycleStatus"], goal.get("statusDate")


def test_without_statements_the_goal_is_as_it_was():
    assert settled_goal(GOAL, []) is GOAL


def test_time_decides_not_the_order_of_arrival():
    later = said("2026-02-10T09:00:00Z", lifecycle="completed")
    for statements in ([FIRST, later], [later, FIRST]):
        assert status(settled_goal(GOAL, statements)) == ("completed", "2026-02-10")


def test_two_statements_of_one_moment_are_taken_in_the_order_of_their_names():
    pair = [
        said("2026-02-10T09:00:00Z", lifecycle="on-hold", number=2),
        said("2026-02-10T09:00:00Z", lifecycle="active", number=1),
    ]
    assert status(settled_goal(GOAL, pair))[0] == status(settled_goal(GOAL, pair[::-1]))[0] == "on-hold"


def test_an_offset_is_taken_into_account():
    early = said("2026-02-10T23:30:00+05:00", lifecycle="on-hold")
    late = said("2026-02-10T20:00:00+00:00", lifecycle="completed")
    assert status(settled_goal(GOAL, [late, early]))[0] == "completed"


def test_a_stored_state_that_nobody_stated_was_written_by_hand_and_stays():
    written = GOAL | META | {"lifecycleStatus": "cancelled", "statusDate": "2026-02-04"}
    kept = settled_goal(GOAL, [FIRST], stored=written, before=[FIRST])
    assert status(kept) == ("cancelled", "2026-02-04")
    assert kept["description"] == GOAL["description"]


def test_a_state_written_by_hand_without_a_date_holds_from_the_day_it_was_written():
    written = {name: value for name, value in (GOAL | META).items() if name != "statusDate"}
    written["lifecycleStatus"] = "cancelled"
    older = said("2026-02-04T09:00:00Z", lifecycle="on-hold")
    newer = said("2026-02-06T09:00:00Z", lifecycle="on-hold")
    assert (
        settled_goal(GOAL, [FIRST, older], stored=written, before=[FIRST])["lifecycleStatus"] == "cancelled"
    )
    assert settled_goal(GOAL, [FIRST, newer], stored=written, before=[FIRST])["lifecycleStatus"] == "on-hold"


def test_a_new_statement_of_the_same_day_counts_more_than_what_was_written_by_hand():
    written = GOAL | META | {"lifecycleStatus": "cancelled", "statusDate": "2026-02-10"}
    new = said("2026-02-10T09:00:00Z", lifecycle="active")
    assert status(settled_goal(GOAL, [FIRST, new], stored=written, before=[FIRST]))[0] == "active"
    assert status(settled_goal(GOAL, [FIRST, new], stored=written, before=[FIRST, new]))[0] == "cancelled"


def test_a_corrected_statement_replaces_the_state_it_led_to():
    corrected = said("2026-02-03T09:00:00Z", lifecycle="proposed")
    settled = settled_goal(GOAL, [corrected], stored=GOAL | META, before=[FIRST])
    assert settled["lifecycleStatus"] == "proposed"

"""What is told again: corrections, what was wrong, what is no longer there; and only what was told before."""

import pytest
from told import changed, people

from service.hl7v2.report import reports_of
from service.hl7v2.result_message import result_message


@pytest.fixture(scope="module")
def resources():
    """Everything about a person whose one study has all kinds of findings."""
    return next(all_ for all_ in people().values() if sum(map(is_report, all_)) == 1)


def report(resources, kind="study"):
    return next(one for one in reports_of(resources).values() if one.kind == kind)


def statuses(message):
    rows = [row.split("|") for row in message.content.decode().split("\r") if row.startswith("OBX")]
    return {row[4]: row[11] for row in rows}


def result_status(message):
    return next(row for row in message.content.decode().split("\r") if row.startswith("OBR")).split("|")[25]


def is_secretions(one):
    return one["resourceType"] == "Observation" and one["code"]["coding"][-1]["code"] == "secretion-level"


def is_bolus(one, number=1):
    return one.get("identifier") and str(one["identifier"]).find(f"study/bolus/{number}'") > 0


def is_report(one):
    return one["resourceType"] == "DiagnosticReport"


def test_what_is_told_for_the_first_time_is_final_even_if_it_was_amended(resources):
    amended = changed(resources, is_secretions, status="amended", valueInteger=3)
    message = result_message(report(amended))
    assert {*statuses(message).values()} == {"F"}
    assert result_status(message) == "F"


def test_a_changed_value_is_a_correction_and_the_others_stay_final(resources):
    amended = changed(resources, is_secretions, status="amended", valueInteger=3)
    message = result_message(report(amended), report(resources))
    assert statuses(message)["2.1"] == "C"
    assert {status for sub, status in statuses(message).items() if sub != "2.1"} == {"F"}
    assert result_status(message) == "C"


def test_nothing_is_told_twice_nor_because_the_person_moved(resources):
    moved = changed(resources, lambda one: one["resourceType"] == "Patient", address=None)
    assert result_message(report(resources), report(resources)) is None
    assert result_message(report(moved), report(resources)) is None


def test_what_was_entered_in_error_is_said_to_be_wrong_with_what_was_told(resources):
    wrong = changed(resources, is_bolus, status="entered-in-error", component=[])
    message = result_message(report(wrong), report(resources))
    assert {status for sub, status in statuses(message).items() if sub.startswith("3.1.")} == {"W"}
    assert "OBX|" in message.content.decode()
    assert result_status(message) == "C"


def test_what_was_wrong_before_it_was_told_is_never_told(resources):
    wrong = changed(resources, is_bolus, status="entered-in-error")
    assert not [sub for sub in statuses(result_message(report(wrong))) if sub.startswith("3.1.")]
    assert result_message(report(changed(resources, is_report, status="entered-in-error"))) is None


def test_a_whole_study_entered_in_error_is_wrong_result_by_result(resources):
    wrong = changed(resources, is_report, status="entered-in-error")
    message = result_message(report(wrong), report(resources))
    assert {*statuses(message).values()} == {"W"}
    assert result_status(message) == "X"
    assert "|CA" in message.content.decode().partition("ORC|")[2][:60]


def test_a_component_that_is_gone_is_deleted(resources):
    (bolus,) = [one for one in resources if is_bolus(one)]
    less = changed(resources, is_bolus, status="amended", component=bolus["component"][:-1])
    message = result_message(report(less), report(resources))
    deleted = [sub for sub, status in statuses(message).items() if status == "D"]
    assert len(deleted) == 1
    assert '|""|' in message.content.decode()


def test_a_value_that_is_gone_is_taken_away_not_left_as_it_was(resources):
    none = {"coding": [{"code": "unknown", "display": "Unknown"}]}
    gone = changed(resources, is_secretions, valueInteger=None, dataAbsentReason=none)
    message = result_message(report(gone), report(resources))
    assert statuses(message)["2.1"] == "C"
    assert '|2.1|""|' in message.content.decode()
    assert "No value: Unknown" in message.content.decode()


def test_preliminary_becomes_final_without_being_a_correction(resources):
    draft = changed(resources, is_secretions, status="preliminary")
    first = result_message(report(draft))
    assert statuses(first)["2.1"] == "P"
    assert result_status(first) == "P"
    second = result_message(report(resources), report(draft))
    assert statuses(second)["2.1"] == "F"
    assert result_status(second) == "F"


def test_why_there_is_no_value(resources):
    absent = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
    for code, status in (("not-asked", "N"), ("error", "X"), ("not-performed", "X")):
        reason = {"coding": [{"system": absent, "code": code}]}
        none = changed(resources, is_secretions, valueInteger=None, dataAbsentReason=reason)
        assert statuses(result_message(report(none)))["2.1"] == status


def test_a_goal_whose_status_changed_is_told_again(resources):
    reached = {
        "coding": [{"system": "http://terminology.hl7.org/CodeSystem/goal-achievement", "code": "achieved"}]
    }
    goal = next(one for one in resources if one["resourceType"] == "Goal")
    now = changed(resources, lambda one: one is goal, lifecycleStatus="completed", achievementStatus=reached)
    before = reports_of(resources)[f"Goal/{goal['id']}"]
    message = result_message(reports_of(now)[before.key], before)
    assert statuses(message)["1"] == "C"
    assert "achieved^" in message.content.decode()

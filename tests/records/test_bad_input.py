# ruff: noqa: E501  # a row of a table is one line, its sentence unbroken
"""Bad values a clinic really sends: each with its exact sentence, and all of them at once with their lines."""

import re
from datetime import date

import pytest

from service.errors import InvalidInput
from service.records.context import RecordContext, ScreenOnFile
from service.records.reading import read_record
from service.records.sheets import attach, read_sheet
from service.shipped import shipped

PAS = "Use a whole number from 1 to 8 for each swallow; averages are not accepted."
BAD = """\
visit_record: 1
test_data: true
record: {system: "https://clinic.example.org/visit-records", value: bad-1}
patient: {system: "https://clinic.example.org/patients", value: bad}
person:
  family: Badly
  given: [Rowan]
  birth_date: 1990-01-01
conditions:
  - {code: cause not known, onset: unknown}
research_consent: {decision: permit, date: 2026-02-03}
visit:
  type: training
  start: 2026-02-03T09:30-05:00
  clinician: {identifier: {system: "https://clinic.example.org/staff", value: slp-01}, name: Wren Exampleton}
  endoscopy: {in_place: yes, anaesthetic: none, tolerance: no adverse event}
red_flags: {fever: no, new_wet_voice: no, new_chest_symptoms: no, breathlessness: no, weight_loss: no,
  choking_event: no, dehydration: no, blood: no, new_neurological_sign: no, cardiac_symptoms_with_practice: no}
clearance:
  date: 2026-02-02
  by: {identifier: {system: "https://clinic.example.org/staff", value: md-01}, name: Dr Hale Pretender, role: physician}
  decision: limited
  effort_limit: light
function:
  oral_intake_level: 8
  eat10_total: 41
  eat10_items: [4, 4, 4, 4, 4, 4, 4, 4, 4]
swallow_study:
  method: videofluoroscopic
  date: 1989-12-31
  boluses:
    - {sequence: 1, consistency: 0, volume_ml: 5, airway_score: 0, residue_vallecula: none, residue_pyriform: none, manoeuvre: none}
    - {sequence: 2, consistency: 0, volume_ml: 5, airway_score: 9, residue_vallecula: none, residue_pyriform: none, manoeuvre: none}
    - {sequence: 3, consistency: 0, volume_ml: 5, airway_score: 4.5, residue_vallecula: none, residue_pyriform: none, manoeuvre: none}
    - {sequence: 4, consistency: 0, volume_ml: 5, airway_score: 1, timing: [before], residue_vallecula: none, residue_pyriform: none, manoeuvre: none}
    - {sequence: 5, consistency: 0, volume_ml: 5, airway_score: 8, timing: [after], response: cough effective, residue_vallecula: none, residue_pyriform: none, manoeuvre: none}
    - {sequence: 6, consistency: 8, volume_ml: 5, airway_score: 1, residue_vallecula: mild, residue_vallecula_percent: 30, residue_pyriform: none, manoeuvre: none}
    - {sequence: 6, consistency: 0, volume_ml: 5, airway_score: 1, residue_vallecula: none, residue_pyriform: none, manoeuvre: none}
training:
  trials:
    - {block: pre, trial: 1, posture: head neutral, observed: closed, own_judgement: closed, effort: light, hold_s: 300}
    - {block: pre, trial: 2, posture: head back, observed: closed, own_judgement: closed, effort: light, hold_s: 1, feedback: live image}
    - {block: pre, trial: 3, posture: chin down, observed: closed, own_judgement: closed, judged_before_result: no, effort: light, hold_s: 1}
    - {block: pre, trial: 4, posture: turned left, observed: closed, own_judgement: closed, effort: strong, hold_s: 1}
    - {block: pre, trial: 5, posture: turned right, observed: closed, own_judgement: closed, effort: light, hold_s: 1}
    - {block: pre, trial: 6, posture: tilted left, observed: closed, own_judgement: closed, effort: light, hold_s: 1}
  post_block_not_done: no time
home_plan:
  start: 2026-02-03
  review: 2026-02-17
  end: 2026-12-31
  lines:
    - {exercise: closure, manoeuvre: head-lift, sets: 1, repetitions: 10, sessions_per_day: 3, days_per_week: 7, weeks: 8, effort: light, practised_with: saliva}
  stop_rules: {text: Stop for chest pain., date: 2026-02-03, teach_back: yes}
practice:
  start: 2026-02-03
  end: 2026-02-09
  entered_by: patient
  days:
    - {day: 2026-12-24, exercise: closure, repetitions: 5}
    - {day: 2026-02-04, exercise: closure, repetitions: -5}
goals:
  - key: late
    description: Due before it starts
    lifecycle_status: proposed
    targets: [{measure: hold time, value: 5}]
    start: 2026-02-03
    due: 2026-02-01
  - key: backwards
    description: A target worse than the baseline
    lifecycle_status: active
    targets: [{measure: closure accuracy, value: 40}]
    baseline: {value: 60, date: 2026-02-03, n: 5}
    start: 2026-02-03
    due: 2026-05-01
  - key: measureless
    description: A target without measure
    lifecycle_status: proposed
    targets: [{value: 80}]
    start: 2026-02-03
    due: 2026-05-01
"""

# sentence -> a piece of the line it stands on
EXPECTED = {
    f"Penetration-aspiration score 0 is not valid. {PAS}": "airway_score: 0",
    f"Penetration-aspiration score 9 is not valid. {PAS}": "airway_score: 9",
    f"Penetration-aspiration score 4.5 is not valid. {PAS}": "airway_score: 4.5",
    "Score 1 means nothing entered the airway, so timing must be empty.": "timing: [before]",
    "Score 8 means no effort to clear; a cough is recorded. Check the score or the response.": "response: cough",
    "Oral intake level must be 1 to 7.": "oral_intake_level: 8",
    "EAT-10 total 41 is above 40.": "eat10_total: 41",
    "All ten answers are needed; 9 given. No total is computed.": "eat10_items:",
    "Hold time 300 s is above 30 s; check the unit.": "hold_s: 300",
    "Pre and post blocks have 5 trials in this protocol; trial 6 was given.": "trial: 6",
    "Pre and post trials are done without feedback; this trial has 'live image'. Move it to another block.": "feedback: live",
    "The patient's judgement must be recorded before the result is shown.": "judged_before_result: no",
    "Due date 2026-02-01 is not after the start date 2026-02-03.": "due: 2026-02-01",
    "Target 40 is not better than the baseline 60 for a measure where higher is better.": "value: 40",
    "Effort 'strong' is above the cleared limit 'light'.": "effort: strong",
    "Practice day 2026-12-24 is in the future.": "day: 2026-12-24",
    "Repetitions cannot be below 0.": "repetitions: -5",
    "Study date 1989-12-31 is before the birth date (1990-01-01).": "date: 1989-12-31",
    "30 % is 'moderate' on the published scale, but 'mild' was chosen.": "residue_vallecula_percent: 30",
    "Consistency must be an IDDSI level from 0 to 7.": "consistency: 8",
    "Bolus 6 is listed twice.": "sequence: 6, consistency: 0",
    "Safety screen is missing or older than 90 days. Breath-hold trials cannot be saved until it is completed.": None,
    "A target value needs a measure.": "targets: [{value: 80}]",
}  # fmt: skip


def test_all_of_them_at_once(judge) -> None:
    checked = judge(read_record(BAD.encode(), "yaml"), RecordContext())
    assert sorted(issue.message for issue in checked.errors) == sorted(EXPECTED)


def test_each_with_its_line(judge) -> None:
    checked = judge(read_record(BAD.encode(), "yaml"), RecordContext())
    lines = BAD.splitlines()
    for issue in checked.errors:
        piece = EXPECTED[issue.message]
        if piece is not None:
            assert piece in lines[issue.place.line - 1]
            assert issue.place.column > 0


@pytest.mark.parametrize(
    ("pattern", "instead", "message"),
    [
        ("oral_intake_level: 8", "oral_intake_level: 0", "Oral intake level must be 1 to 7."),
        (r"eat10_total: 41\n  eat10_items: .*", "eat10_total: 21\n  eat10_items: [2, 2, 2, 2, 2, 2, 2, 2, 2, 2]", "The ten answers add to 20, but the total is 21."),
    ],
)  # fmt: skip
def test_the_ones_that_need_another_value_in_the_same_place(judge, pattern, instead, message) -> None:
    checked = judge(read_record(re.sub(pattern, instead, BAD).encode(), "yaml"), RecordContext())
    assert message in {issue.message for issue in checked.errors}


def test_a_broken_field_hides_no_rule_about_its_neighbours(judge) -> None:
    broken = BAD.replace("type: training", "type: chat").replace(
        "start: 2026-02-03T09:30-05:00", "start: soon"
    )
    messages = {
        issue.message for issue in judge(read_record(broken.encode(), "yaml"), RecordContext()).errors
    }
    assert set(EXPECTED) < messages


def test_a_rule_about_a_csv_row_names_row_and_column(judge) -> None:
    document = read_record(shipped("examples", "sheets", "demo-02-visit-2.yaml").read_bytes(), "yaml")
    sheet = shipped("examples", "sheets", "demo-02-visit-2.trials.csv").read_text("utf-8")
    bad = sheet.replace(
        "pre,2,head neutral,open,,closed,closed,medium,3", "pre,2,head neutral,open,,closed,closed,strong,300"
    )
    attached = attach(document, read_sheet(bad.encode(), "trials", source="trials.csv"))
    context = RecordContext(
        patient_known=True, has_conditions=True, screen=ScreenOnFile(date(2026, 3, 6), {})
    )
    [issue] = [issue for issue in judge(attached, context).errors if issue.rule == "hold-range"]
    assert issue.message == "Hold time 300 s is above 30 s; check the unit."
    assert str(issue.place) == "trials.csv row 3 column hold_s"
    assert issue.place.pointer == "/training/trials/1/hold_s"


def test_endless_problems_are_cut_short(judge) -> None:
    trials = ", ".join("{a: 1}" for _ in range(2_000))
    checked = judge(read_record(f"training: {{trials: [{trials}]}}".encode(), "yaml"), RecordContext())
    assert len(checked.issues) == 1_001
    assert checked.issues[-1].message == "There are more than 1000 problems; the others are not listed."


def test_a_list_no_visit_can_have_is_refused(judge) -> None:
    days = ", ".join("{}" for _ in range(2_001))
    checked = judge(read_record(f"practice: {{days: [{days}]}}".encode(), "yaml"), RecordContext())
    assert "Field 'days' has 2001 entries; one visit has at most 2000." in {i.message for i in checked.issues}


@pytest.mark.parametrize("text", ["visit: 5", "visit: [1]", "record: {system: 5, value: [x]}", "goals: {a: b}", "training: {trials: [null, 3, x]}", "safety_screen: {items: [yes]}", "home_plan: {lines: [{practised_with: {a: 1}}]}", "practice: {days: [{day: {}}]}", "goals: [{scaling: {ranges: {'0': [1, x]}}}]"])  # fmt: skip
def test_no_shape_escapes_as_a_crash(judge, text) -> None:
    checked = judge(read_record(text.encode(), "yaml"), RecordContext())
    assert checked.record is None
    assert all(issue.message for issue in checked.issues)


def test_a_text_that_is_no_record_is_refused_before_any_rule() -> None:
    with pytest.raises(InvalidInput, match="A visit record is a group of named fields"):
        read_record(b"just words", "yaml")

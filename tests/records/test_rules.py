# ruff: noqa: E501  # a row of a table is one line, its sentence unbroken
"""Every rule: a good record with one thing changed gives exactly this sentence at exactly this place."""

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest

from service.errors import Severity
from service.records.context import (
    ClearanceOnFile,
    GoalOnFile,
    PlanLineOnFile,
    PlanOnFile,
    RecordContext,
    ScreenOnFile,
    VisitOnFile,
)
from service.records.places import Places
from service.records.reading import Document

GONE = object()
NOBODY = {
    "identifier": {"system": "https://clinic.example.org/staff", "value": "slp-01"},
    "name": "Wren Exampleton",
}
VISIT, STUDY, REVISIT = "demo-01-visit-1", "demo-01-evaluation-1", "demo-01-visit-2"
BOLUS = ("swallow_study", "boluses")
TRIALS = ("training", "trials")
FLAGS = "Answer the red-flag list before closing the visit."
PAS = "Use a whole number from 1 to 8 for each swallow; averages are not accepted."
DOSE = "Dose needs sets, repetitions, sessions per day, days per week and duration."
CODES = "in-progress, improving, worsening, no-change, achieved, sustaining, not-achieved, no-progress, not-attainable"

ERRORS: list[tuple[str, dict[tuple[Any, ...], Any], str, str]] = [
    # person and context
    (VISIT, {("person",): GONE}, "/patient", "Patient https://clinic.example.org/patients|demo-01 was not found. Create or link the patient before recording a visit."),
    (VISIT, {("person", "birth_date"): "2027-01-01"}, "/person/birth_date", "Birth date 2027-01-01 is after today."),
    (VISIT, {("person", "birth_date"): "1900-01-01"}, "/person/birth_date", "Birth date 1900-01-01 gives an age of 126 years; check the year."),
    (VISIT, {("person", "gender"): "f"}, "/person/gender", "Gender 'f' is not one of male, female, other, unknown."),
    (VISIT, {("conditions",): GONE}, "/conditions", "Give at least one condition that explains the swallowing problem, or record 'cause not known'."),
    # the visit
    (VISIT, {("visit", "start"): "2026-12-01T09:30-05:00", ("visit", "end"): GONE}, "/visit/start", "Visit time 2026-12-01T09:30:00-05:00 is in the future."),
    (VISIT, {("visit", "episode_start"): "2026-02-04"}, "/visit/start", "Visit 2026-02-03T09:30:00-05:00 is before the episode of care started (2026-02-04)."),
    (VISIT, {("visit", "end"): "2026-02-03T09:00-05:00"}, "/visit/end", "Visit end 2026-02-03T09:00:00-05:00 is before its start (2026-02-03T09:30:00-05:00)."),
    (VISIT, {("person", "birth_date"): "2026-02-05"}, "/visit/start", "Visit 2026-02-03T09:30:00-05:00 is before the birth date (2026-02-05)."),
    (VISIT, {("visit", "type"): "chat"}, "/visit/type", "Visit type 'chat' is not in the list."),
    (VISIT, {("visit", "reason_for_ending"): "moved"}, "/visit/reason_for_ending", "A reason for ending ('moved') belongs to a discharge visit; this is 'training'."),
    (VISIT, {("visit", "clinician"): GONE}, "/visit/clinician", "Name the clinician responsible for this visit."),
    (VISIT, {("visit", "endoscopy"): GONE}, "/visit/endoscopy", "Observed closure needs a view of the larynx; this visit has no endoscopy recorded."),
    (VISIT, {("visit", "endoscopy"): {"in_place": "no"}}, "/visit/endoscopy", "Observed closure needs a view of the larynx; this visit has no endoscopy recorded."),
    (VISIT, {("visit", "endoscopy"): GONE, ("training",): GONE}, "/visit/endoscopy", "Say whether the endoscope was in place: yes, no or stopped early."),
    (VISIT, {("visit", "endoscopy", "in_place"): "stopped early"}, "/visit/endoscopy/reason", "Say why the endoscopy was stopped early."),
    (VISIT, {("visit", "endoscopy", "anaesthetic"): GONE}, "/visit/endoscopy/anaesthetic", "Record the topical anaesthetic or decongestant given, or 'none'."),
    (VISIT, {("visit", "endoscopy", "anaesthetic", 0, "unit"): GONE}, "/visit/endoscopy/anaesthetic/0/unit", "Give the unit for the lidocaine dose."),
    (VISIT, {("visit", "endoscopy", "tolerance"): GONE}, "/visit/endoscopy/tolerance", "Record how the examination was tolerated, or 'no adverse event'."),
    (VISIT, {("visit", "endoscopy", "tolerance"): [{"event": "laryngospasm"}]}, "/visit/endoscopy/tolerance/0/action", "Describe what was done about 'laryngospasm'."),
    (VISIT, {("visit", "vital_signs"): {"heart_rate": 251}}, "/visit/vital_signs/heart_rate", "Heart rate 251 /min is outside 20-250; re-enter or mark as an error."),
    (VISIT, {("visit", "vital_signs"): {"oxygen_saturation": "49.5"}}, "/visit/vital_signs/oxygen_saturation", "Oxygen saturation 49.5 % is outside 50-100; re-enter or mark as an error."),
    (VISIT, {("visit", "vital_signs"): {"systolic": 301}}, "/visit/vital_signs/systolic", "Systolic pressure 301 mm[Hg] is outside 50-300; re-enter or mark as an error."),
    (VISIT, {("visit", "vital_signs"): {"diastolic": 19}}, "/visit/vital_signs/diastolic", "Diastolic pressure 19 mm[Hg] is outside 20-200; re-enter or mark as an error."),
    (VISIT, {("visit", "vital_signs"): {"systolic": 90, "diastolic": 90}}, "/visit/vital_signs/systolic", "Systolic pressure 90 is not above diastolic pressure 90."),
    (VISIT, {("red_flags",): GONE}, "/red_flags", FLAGS),
    (VISIT, {("red_flags", "fever"): GONE}, "/red_flags/fever", FLAGS),
    # safety
    (VISIT, {("safety_screen",): GONE}, "/safety_screen", "Safety screen is missing or older than 90 days. Breath-hold trials cannot be saved until it is completed."),
    (VISIT, {("safety_screen", "date"): "2025-11-04"}, "/safety_screen", "Safety screen is missing or older than 90 days. Breath-hold trials cannot be saved until it is completed."),
    (VISIT, {("safety_screen", "items", "aneurysm"): GONE}, "/safety_screen/items", "Answer every item of the safety screen; missing: aneurysm."),
    (VISIT, {("safety_screen", "items", "aneurysm"): "unknown", ("safety_screen", "items", "heart_failure"): "yes"}, "/clearance", "A cautionary item is marked (heart failure, aneurysm). Record medical clearance or choose a plan without breath-holding."),
    (VISIT, {("safety_screen", "items", "pneumothorax"): "yes", ("training",): GONE}, "/clearance", "A cautionary item is marked (pneumothorax). Record medical clearance or choose a plan without breath-holding."),
    ("demo-05-visit-1", {("clearance", "decision"): "not cleared"}, "/clearance", "A cautionary item is marked (coronary disease). Record medical clearance or choose a plan without breath-holding."),
    ("demo-05-visit-1", {("clearance", "decision"): "not cleared", ("safety_screen", "items", "coronary_disease"): "no"}, "/clearance", "Breath-holding was not cleared on 2026-06-05. Choose a plan without breath-holding."),
    ("demo-05-visit-1", {("clearance", "effort_limit"): GONE}, "/clearance/effort_limit", "Say which effort is cleared: light, medium or strong."),
    ("demo-05-visit-1", {("clearance", "by", "role"): GONE}, "/clearance/by", "Clearance is given by a physician; check the role."),
    ("demo-05-visit-1", {("clearance", "date"): "2026-06-06"}, "/clearance/date", "Clearance date 2026-06-06 is after the visit."),
    ("demo-05-visit-1", {(*TRIALS, 2, "effort"): "strong"}, "/training/trials/2/effort", "Effort 'strong' is above the cleared limit 'light'."),
    ("demo-05-visit-1", {("home_plan", "lines", 0, "effort"): "medium"}, "/home_plan/lines/0/effort", "Effort 'medium' is above the cleared limit 'light'."),
    # intake and report
    (VISIT, {("function", "oral_intake_level"): 0}, "/function/oral_intake_level", "Oral intake level must be 1 to 7."),
    (VISIT, {("function", "oral_intake_level"): 8}, "/function/oral_intake_level", "Oral intake level must be 1 to 7."),
    (VISIT, {("function", "oral_intake_level"): 2}, "/function/tube", "Levels 2 and 3 mean tube feeding; tube is marked 'no'."),
    (STUDY, {("function",): GONE}, "/function/oral_intake_level", "Give the oral intake level at each evaluation and review."),
    (REVISIT, {("function", "eat10_total"): 41}, "/function/eat10_total", "EAT-10 total 41 is above 40."),
    (VISIT, {("function", "eat10_total"): 21}, "/function/eat10_total", "The ten answers add to 22, but the total is 21."),
    (VISIT, {("function", "eat10_items"): [2] * 9}, "/function/eat10_items", "All ten answers are needed; 9 given. No total is computed."),
    (VISIT, {("function", "eat10_items"): [2] * 11}, "/function/eat10_items", "EAT-10 has ten answers; 11 given."),
    (VISIT, {("function", "eat10_items", 0): 5, ("function", "eat10_total"): 24}, "/function/eat10_items/0", "EAT-10 answer 5 is outside 0-4."),
    (VISIT, {("function", "weight_kg"): "1.9"}, "/function/weight_kg", "Weight 1.9 kg is outside 2-350."),
    (VISIT, {("function", "pneumonia_since_last_visit"): 21}, "/function/pneumonia_since_last_visit", "Pneumonia count 21 is outside 0-20."),
    (VISIT, {("function", "meal_minutes"): 241}, "/function/meal_minutes", "Meal time 241 min is outside 0-240."),
    # study
    (STUDY, {("swallow_study", "date"): "1950-01-01"}, "/swallow_study/date", "Study date 1950-01-01 is before the birth date (1958-06-02)."),
    (STUDY, {("swallow_study", "date"): "2026-01-28"}, "/swallow_study/date", "Study date 2026-01-28 is after the visit (2026-01-27)."),
    (STUDY, {("swallow_study", "date"): "2026-11-21"}, "/swallow_study/date", "Study date 2026-11-21 is in the future."),
    (STUDY, {("swallow_study", "secretion_rating"): 4}, "/swallow_study/secretion_rating", "Secretion rating runs from 0 to 3."),
    (STUDY, {(*BOLUS, 1, "sequence"): 1}, "/swallow_study/boluses/1/sequence", "Bolus 1 is listed twice."),
    (STUDY, {(*BOLUS, 3, "consistency"): 8}, "/swallow_study/boluses/3/consistency", "Consistency must be an IDDSI level from 0 to 7."),
    (STUDY, {(*BOLUS, 3, "consistency"): "nectar"}, "/swallow_study/boluses/3/consistency", "Consistency must be an IDDSI level from 0 to 7."),
    (STUDY, {(*BOLUS, 3, "volume_ml"): 0}, "/swallow_study/boluses/3/volume_ml", "Bolus volume 0 mL is outside 0.5-250 mL."),
    (STUDY, {(*BOLUS, 3, "volume_ml"): 251}, "/swallow_study/boluses/3/volume_ml", "Bolus volume 251 mL is outside 0.5-250 mL."),
    (STUDY, {(*BOLUS, 3, "volume_ml"): GONE}, "/swallow_study/boluses/3/volume_ml", "Give the bolus volume in mL, or an amount such as 'cup sips'."),
    (STUDY, {(*BOLUS, 5, "volume_ml"): 5}, "/swallow_study/boluses/5/volume_ml", "Level 7 is a solid; give pieces or grams, not millilitres."),
    (STUDY, {(*BOLUS, 0, "airway_score"): 0}, "/swallow_study/boluses/0/airway_score", f"Penetration-aspiration score 0 is not valid. {PAS}"),
    (STUDY, {(*BOLUS, 0, "airway_score"): 9}, "/swallow_study/boluses/0/airway_score", f"Penetration-aspiration score 9 is not valid. {PAS}"),
    (STUDY, {(*BOLUS, 0, "airway_score"): "4.5"}, "/swallow_study/boluses/0/airway_score", f"Penetration-aspiration score 4.5 is not valid. {PAS}"),
    (STUDY, {(*BOLUS, 4, "timing"): ["during"]}, "/swallow_study/boluses/4/timing", "Score 1 means nothing entered the airway, so timing must be empty."),
    (STUDY, {(*BOLUS, 0, "timing"): GONE}, "/swallow_study/boluses/0/timing", "Say whether material entered before, during or after the swallow, or mark 'not seen'."),
    (STUDY, {(*BOLUS, 0, "timing"): ["during", "not seen"]}, "/swallow_study/boluses/0/timing", "Timing can't be 'not seen' and seen at once."),
    (STUDY, {(*BOLUS, 0, "response"): GONE}, "/swallow_study/boluses/0/response", "Say how the entry was answered: none, throat clear, cough effective or cough ineffective."),
    (STUDY, {(*BOLUS, 1, "airway_score"): 8}, "/swallow_study/boluses/1/response", "Score 8 means no effort to clear; a cough is recorded. Check the score or the response."),
    (STUDY, {(*BOLUS, 1, "response"): "none"}, "/swallow_study/boluses/1/response", "Score 7 means an effort was made and the material stayed; the response recorded disagrees. Check the score or the response."),
    (STUDY, {(*BOLUS, 1, "response"): "cough effective"}, "/swallow_study/boluses/1/response", "Score 7 means an effort was made and the material stayed; the response recorded disagrees. Check the score or the response."),
    (STUDY, {(*BOLUS, 0, "response"): "cough ineffective"}, "/swallow_study/boluses/0/response", "Score 6 means the material was cleared from below the folds; an ineffective cough is recorded. Check the score or the response."),
    (STUDY, {(*BOLUS, 3, "residue_vallecula_percent"): 30}, "/swallow_study/boluses/3/residue_vallecula_percent", "30 % is 'moderate' on the published scale, but 'mild' was chosen."),
    (STUDY, {(*BOLUS, 3, "residue_pyriform_percent"): 101}, "/swallow_study/boluses/3/residue_pyriform_percent", "Residue 101 % is outside 0-100."),
    (STUDY, {(*BOLUS, 2, "effect"): GONE}, "/swallow_study/boluses/2/effect", "Say whether the manoeuvre made the swallow better, the same or worse."),
    (STUDY, {(*BOLUS, 0, "effect"): "same"}, "/swallow_study/boluses/0/effect", "An effect needs a manoeuvre or posture to be the effect of."),
    (STUDY, {(*BOLUS, 0, "manoeuvre"): GONE}, "/swallow_study/boluses/0/manoeuvre", "Field 'manoeuvre' is missing."),
    # training
    (VISIT, {(*TRIALS, 0, "block"): "probe"}, "/training/trials/0/block", "Block 'probe' is not one of pre, education, feedback, error, faded, post."),
    (VISIT, {(*TRIALS, 4, "trial"): 6}, "/training/trials/4/trial", "Pre and post blocks have 5 trials in this protocol; trial 6 was given."),
    (VISIT, {(*TRIALS, 3): GONE}, "/training/trials/0/trial", "Trial 4 is missing; enter it or mark it 'not done'."),
    (VISIT, {(*TRIALS, 4): GONE}, "/training/trials/0/trial", "Trial 5 is missing; enter it or mark it 'not done'."),
    (VISIT, {(*TRIALS, 1, "trial"): 1}, "/training/trials/1/trial", "Trial 1 of the pre block is listed twice."),
    (VISIT, {(*TRIALS, 0, "posture"): "upside down"}, "/training/trials/0/posture", "Posture 'upside down' is not one of head neutral, chin down, head back, turned left, turned right, tilted left, tilted right."),
    (VISIT, {(*TRIALS, 0, "observed"): "half"}, "/training/trials/0/observed", "Observed closure must be closed, not closed or not observable."),
    (VISIT, {(*TRIALS, 0, "own_judgement"): GONE}, "/training/trials/0/own_judgement", "Record the patient's own judgement of trial 1, or 'not asked'."),
    (VISIT, {(*TRIALS, 0, "judged_before_result"): False}, "/training/trials/0/judged_before_result", "The patient's judgement must be recorded before the result is shown."),
    (VISIT, {(*TRIALS, 1, "hold_s"): GONE}, "/training/trials/1/hold_s", "Give the hold time of trial 2 in seconds."),
    (VISIT, {(*TRIALS, 1, "hold_s"): 0}, "/training/trials/1/hold_s", "Hold time must be above 0 seconds."),
    (VISIT, {(*TRIALS, 1, "hold_s"): 300}, "/training/trials/1/hold_s", "Hold time 300 s is above 30 s; check the unit."),
    (VISIT, {(*TRIALS, 0, "feedback"): "live image"}, "/training/trials/0/feedback", "Pre and post trials are done without feedback; this trial has 'live image'. Move it to another block."),
    ("demo-02-visit-2", {(*TRIALS, 5, "feedback"): GONE}, "/training/trials/5/feedback", "Say which feedback trial 1 of the feedback block had, or 'none'."),
    (VISIT, {(*TRIALS, 0, "observed"): "not observable"}, "/training/trials/0/reason", "Say why trial 1 could not be rated."),
    (VISIT, {(*TRIALS, 0, "observed"): "not done"}, "/training/trials/0/reason", "Say why trial 1 could not be rated."),
    (VISIT, {(*TRIALS, 0, "second_rater"): NOBODY}, "/training/trials/0/second_rater", "Second rater must be a different person."),
    (VISIT, {("training", "protocol"): "../secret"}, "/training/protocol", "Protocol '../secret' is not known; use one of standard."),
    # home plan
    (VISIT, {("home_plan", "lines", 0, "manoeuvre"): GONE}, "/home_plan/lines/0/manoeuvre", "Choose one manoeuvre per line."),
    (VISIT, {("home_plan", "lines", 0, "manoeuvre"): ["head-lift", "pitch glide"]}, "/home_plan/lines/0/manoeuvre", "Choose one manoeuvre per line."),
    (VISIT, {("home_plan", "lines", 0, "weeks"): GONE}, "/home_plan/lines/0/weeks", DOSE),
    (VISIT, {("home_plan", "lines", 0, "sets"): GONE, ("home_plan", "lines", 0, "weeks"): GONE}, "/home_plan/lines/0/sets", DOSE),
    (VISIT, {("home_plan", "lines", 0, "sets"): 11}, "/home_plan/lines/0/sets", "Sets '11' is not valid: give a whole number from 1 to 10."),
    (VISIT, {("home_plan", "lines", 0, "effort"): GONE}, "/home_plan/lines/0/effort", "Give the effort (light, medium, strong), a percentage of own maximum, or 'not applicable'."),
    (VISIT, {("home_plan", "lines", 0, "practised_with"): 2}, "/home_plan/lines/0/practised_with", "IDDSI level 2 is not on this patient's cleared list."),
    (VISIT, {("home_plan", "lines", 0, "manoeuvre"): "tongue-hold swallow", ("home_plan", "lines", 0, "practised_with"): "water"}, "/home_plan/lines/0/practised_with", "The tongue-hold swallow is practised with saliva only, never with food or drink."),
    (VISIT, {("home_plan", "lines", 0, "goals"): ["unheard-of"]}, "/home_plan/lines/0/goals/0", "Goal 'unheard-of' is not among this person's goals."),
    (VISIT, {("home_plan", "stop_rules"): GONE}, "/home_plan/stop_rules", "Record that stop rules were explained."),
    (VISIT, {("home_plan", "review"): "2026-04-14"}, "/home_plan/review", "Review date 2026-04-14 is after the plan ends (2026-04-13)."),
    (VISIT, {("home_plan", "end"): "2026-02-02", ("home_plan", "review"): "2026-02-02"}, "/home_plan/end", "Plan end 2026-02-02 is before its start (2026-02-03)."),
    (VISIT, {("home_plan", "end"): GONE}, "/home_plan/end", "Give the date on which the plan ends."),
    (VISIT, {("home_plan", "status"): "on-hold"}, "/home_plan/status_reason", "Give the reason for 'on-hold'."),
    # goals
    (VISIT, {("goals", 0, "lifecycle_status"): GONE}, "/goals/0/lifecycle_status", "Goal needs a lifecycle status."),
    (VISIT, {("goals", 0, "description"): GONE}, "/goals/0/description", "Goal needs a description."),
    (VISIT, {("goals", 0, "targets", 0, "measure"): GONE}, "/goals/0/targets/0/measure", "A target value needs a measure."),
    (VISIT, {("goals", 0, "targets", 0, "value"): 101}, "/goals/0/targets/0/value", "Target 101 is outside 0-100 for closure accuracy."),
    (VISIT, {("goals", 0, "targets", 0, "value"): 15}, "/goals/0/targets/0/value", "Target 15 is not better than the baseline 20 for a measure where higher is better."),
    (VISIT, {("goals", 0, "targets", 0): {"measure": "eat10 total", "value": 25}}, "/goals/0/targets/0/value", "Target 25 is not better than the baseline 20 for a measure where lower is better."),
    (VISIT, {("goals", 0, "targets", 0, "comparator"): "<="}, "/goals/0/targets/0/comparator", "For closure accuracy higher is better; the comparator must be '>='."),
    (VISIT, {("goals", 0, "targets", 0): {"measure": "airway entry group", "value": 1}, ("goals", 0, "baseline", "value"): 3}, "/goals/0/targets/0/consistency", "Name the consistency (IDDSI level) this airway-entry goal is about."),
    (VISIT, {("goals", 0, "criterion", "visits"): 11}, "/goals/0/criterion/visits", "Criterion 'k' must be 1 to 10."),
    (VISIT, {("goals", 0, "criterion", "visits"): 0}, "/goals/0/criterion/visits", "Criterion 'k' must be 1 to 10."),
    (VISIT, {("goals", 0, "criterion", "of_visits"): 1}, "/goals/0/criterion/of_visits",
     "'2 of 1' visits can't be asked for: give 2 to 20 visits."),
    (VISIT, {("goals", 0, "baseline"): GONE}, "/goals/0/baseline", "Record a baseline before making the goal active."),
    (VISIT, {("goals", 0, "baseline", "value"): 120}, "/goals/0/baseline/value", "Baseline 120 is outside 0-100 for closure accuracy."),
    (VISIT, {("goals", 0, "due"): "2026-02-03"}, "/goals/0/due", "Due date 2026-02-03 is not after the start date 2026-02-03."),
    (VISIT, {("goals", 0, "due"): GONE}, "/goals/0/due", "Give the date by which the goal is due."),
    (VISIT, {("goals", 0, "achievement_status"): "done"}, "/goals/0/achievement_status", f"Achievement status 'done' is not one of {CODES}."),
    (VISIT, {("goals", 0, "lifecycle_status"): "cancelled"}, "/goals/0/status_reason", "Give the reason for 'cancelled'."),
    (VISIT, {("goals", 0, "achievement_status"): "not-attainable"}, "/goals/0/status_reason", "Give the reason for 'not-attainable'."),
    (VISIT, {("goals", 2, "importance"): 4}, "/goals/2/importance", "Importance and difficulty run from 0 to 3."),
    (VISIT, {("goals", 2, "scaling", "ranges", "0"): [5, 6]}, "/goals/2/scaling/ranges", "GAS levels overlap at 5."),
    (VISIT, {("goals", 2, "scaling", "ranges", "0"): GONE}, "/goals/2/scaling/ranges", "No GAS level covers 6."),
    (VISIT, {("goals", 2, "scaling", "statements", "+2"): GONE}, "/goals/2/scaling/statements", "Scaling needs a statement for each level; missing: +2."),
    (VISIT, {("goals", 1, "key"): "closure"}, "/goals/1/key", "Goal 'closure' is listed twice."),
    (VISIT, {("goal_reviews",): [{"goal": "closure", "lifecycle_status": "on-hold"}]}, "/goal_reviews/0/reason", "Give the reason for 'on-hold'."),
    (VISIT, {("goal_reviews",): [{"goal": "other", "scaling_level": 1}]}, "/goal_reviews/0/goal", "Goal 'other' is not among this person's goals."),
    (VISIT, {("goal_reviews",): [{"goal": "closure"}]}, "/goal_reviews/0", "State a status or a scaling level of the goal."),
    (VISIT, {("goals", 0, "targets", 0, "consistency"): 8}, "/goals/0/targets/0/consistency", "Consistency must be an IDDSI level from 0 to 7."),
    (VISIT, {("goals", 2, "scaling", "ranges", "0"): [6, 5]}, "/goals/2/scaling/ranges/0", "Range 6 to 5 ends before it begins."),
    # what the lists and ranges leave
    (VISIT, {("red_flags", "hiccups"): "no"}, "/red_flags/hiccups", "Item 'hiccups' is not on the list; known are fever, new_wet_voice, new_chest_symptoms, breathlessness, weight_loss, choking_event, dehydration, blood, new_neurological_sign, cardiac_symptoms_with_practice."),
    (VISIT, {("function", "liquid_level"): 5}, "/function/liquid_level", "Drink level 5 is outside 0-4 (IDDSI)."),
    (VISIT, {("function", "food_level"): 2}, "/function/food_level", "Food level 2 is outside 3-7 (IDDSI)."),
    (REVISIT, {("function", "eat10_total"): -1}, "/function/eat10_total", "EAT-10 total -1 is below 0."),
    (STUDY, {(*BOLUS, 5, "amount"): GONE}, "/swallow_study/boluses/5/amount", "Level 7 is a solid; give pieces or grams."),
    (STUDY, {(*BOLUS, 1, "airway_score"): 8, (*BOLUS, 1, "response"): "throat clear"}, "/swallow_study/boluses/1/response", "Score 8 means no effort to clear; a throat clear is recorded. Check the score or the response."),
    (VISIT, {("home_plan", "review"): GONE}, "/home_plan/review", "Give the date on which the plan is reviewed."),
    # shape
    (VISIT, {("visit_record",): 2}, "/visit_record", "Visit record '2' is not one of 1."),
    (VISIT, {("record", "value"): ""}, "/record/value", "Field 'value' is missing."),
    (VISIT, {("trainning",): {}}, "/trainning", "Field 'trainning' is not known here; did you mean 'training'?"),
    (VISIT, {("training", "trials"): "five"}, "/training/trials", "Field 'trials' must be a list."),
    (VISIT, {("function",): [1]}, "/function", "'a list' is not a group of fields."),
    (VISIT, {("visit", "start"): "yesterday"}, "/visit/start", "Start 'yesterday' is not valid: give a date and time such as 2026-02-03T09:30-05:00."),
    (VISIT, {("red_flags", "fever"): "maybe"}, "/red_flags/fever", "Fever 'maybe' is not one of yes, no."),
]  # fmt: skip

WARNINGS: list[tuple[str, dict[tuple[Any, ...], Any], str, str]] = [
    (STUDY, {("visit", "type"): "discharge"}, "/visit/reason_for_ending", "Say why the episode ends: goals met, plateau, medical change, moved, declined or died."),
    (STUDY, {("research_consent",): GONE}, "/research_consent", "No research permission on file; this person is left out of research exports."),
    (STUDY, {("swallow_study", "method"): "endoscopic", (*BOLUS, 0, "inferred"): True}, "/swallow_study/boluses/1/inferred", "During the swallow the endoscope view is blocked; mark this as inferred."),
    (STUDY, {(*BOLUS, 2, "volume_ml"): 20}, "/swallow_study/boluses/2/effect", "No swallow without the manoeuvre at this consistency and volume; effect is marked 'no comparison'."),
    (STUDY, {("function", "oral_intake_level"): 1}, "/function/tube", "Nothing by mouth and no tube: record the feeding route."),
    (STUDY, {("function", "tube"): "yes"}, "/function/tube", "Level 4 means everything is taken by mouth; tube is marked 'yes'. Check both."),
    (VISIT, {(*TRIALS, 4, "posture"): "chin down"}, "/training/trials/4/posture", "Posture 'chin down' is used twice; pre/post pairing by posture needs each posture once."),
    (VISIT, {(*TRIALS, 1, "jaw"): "closed"}, "/training/trials/1/posture", "Posture 'head neutral, jaw closed' is used twice; pre/post pairing by posture needs each posture once."),
    (VISIT, {(*TRIALS, 1, "hold_s"): "10.5"}, "/training/trials/1/hold_s", "Hold time 10.5 s is above the site's limit of 10 s."),
    (VISIT, {(*TRIALS, n): GONE for n in range(9, 4, -1)}, "/training/post_block_not_done", "There is no post block; say why."),
    ("demo-02-visit-1", {(*TRIALS, n, "intended"): "close" for n in range(10, 15)}, "/training/trials/10/intended", "No trial of the error block was meant to leave the folds open."),
    ("demo-02-visit-1", {(*TRIALS, 15, "feedback"): "none", (*TRIALS, 16, "feedback"): "none", (*TRIALS, 19, "feedback"): "replay"}, "/training/trials/19/feedback", "Feedback rises in the faded block."),
    (VISIT, {("home_plan", "lines", 0, "repetitions"): 60, ("home_plan", "lines", 0, "sets"): 2}, "/home_plan/lines/0/repetitions", "360 repetitions a day is above the 1-120 range found in a published review."),
    (VISIT, {("safety_screen",): GONE, ("training",): GONE, ("visit", "type"): "review"}, "/home_plan/lines", "The plan holds breath-hold exercises, but no current safety screen is on file."),
    ("demo-05-visit-1", {("clearance", "date"): "2026-06-01"}, "/clearance", "The clearance of 2026-06-01 is older than the safety screen of 2026-06-05; check that it covers coronary disease."),
]  # fmt: skip


def _changed(document: Document, changes: dict[tuple[Any, ...], Any]) -> Document:
    for path, value in changes.items():
        *holders, last = path
        part: Any = document.tree
        for step in holders:
            part = part[step]
        if value is GONE:
            del part[last]
        else:
            part[last] = value
    return Document(document.tree, Places())


def _said(checked, severity: Severity) -> list[tuple[str, str]]:
    return [(issue.place.pointer, issue.message) for issue in checked.issues if issue.severity is severity]


@pytest.mark.parametrize(("name", "changes", "pointer", "message"), ERRORS)
def test_a_broken_rule_says_what_to_do_and_where(example, judge, name, changes, pointer, message) -> None:
    checked = judge(_changed(example(name), changes), RecordContext(**_KNOWN.get(name, {})))
    assert (pointer, message) in _said(checked, Severity.ERROR)
    assert checked.record is None


@pytest.mark.parametrize(("name", "changes", "pointer", "message"), WARNINGS)
def test_a_warning_is_given_and_does_not_block(example, judge, name, changes, pointer, message) -> None:
    checked = judge(_changed(example(name), changes), RecordContext(**_KNOWN.get(name, {})))
    assert (pointer, message) in _said(checked, Severity.WARNING)
    assert checked.errors == ()
    assert checked.record is not None


_PLANS = (PlanOnFile(date(2026, 2, 3), None, (PlanLineOnFile("closure", 30),)),)
_KNOWN: dict[str, dict[str, Any]] = {
    name: {
        "has_conditions": True,
        "patient_known": True,
        "plans": _PLANS,
        "screen": ScreenOnFile(screened, {}),
    }
    for name, screened in (("demo-02-visit-2", date(2026, 3, 6)), ("demo-01-visit-2", date(2026, 2, 3)))
}


# Faults that rightly break a second rule: a date that makes another impossible, a number that leaves a gap.
SPREADS = {
    ("/person/birth_date", "birth-date-past"),
    ("/visit/start", "visit-past"),
    ("/clearance/date", "clearance-date"),
    ("/training/trials/4/trial", "probe-size"),
    ("/training/trials/1/trial", "trial-unique"),
}


@pytest.mark.parametrize(("name", "changes"), [row[:2] for row in ERRORS])
def test_one_fault_is_told_once(example, judge, name, changes) -> None:
    errors = judge(_changed(example(name), changes), RecordContext(**_KNOWN.get(name, {}))).errors
    rules = {(issue.place.pointer, issue.rule) for issue in errors}
    assert len(errors) == 1 or rules & SPREADS


PLAN = PlanOnFile(date(2026, 2, 3), date(2026, 4, 13), (PlanLineOnFile("closure", 30),))
ON_FILE = RecordContext(
    patient_known=True,
    birth_date=date(1958, 6, 2),
    episode_start=date(2026, 1, 27),
    has_conditions=True,
    has_research_consent=True,
    screen=ScreenOnFile(date(2026, 2, 3), {}),
    plans=(PLAN,),
)

PRACTICE: list[tuple[dict[tuple[Any, ...], Any], str, str]] = [
    ({("practice", "days", 0, "day"): "2026-11-21"}, "/practice/days/0/day", "Practice day 2026-11-21 is in the future."),
    ({("practice", "days", 0, "day"): "2026-02-02", ("practice", "start"): "2026-02-01"}, "/practice/days/0/day", "Practice day 2026-02-02 is outside the plan (2026-02-03 to 2026-04-13)."),
    ({("practice", "days", 0, "day"): "2026-02-11"}, "/practice/days/0/day", "Practice day 2026-02-11 is outside the log (2026-02-03 to 2026-02-09)."),
    ({("practice", "days", 0, "exercise"): "juggling"}, "/practice/days/0/exercise", "This exercise is not in the current plan."),
    ({("practice", "days", 0, "repetitions"): -5}, "/practice/days/0/repetitions", "Repetitions cannot be below 0."),
    ({("practice", "days", 0, "repetitions"): 501}, "/practice/days/0/repetitions", "Repetitions 501 is outside 0-500."),
    ({("practice", "days", 1, "day"): "2026-02-03"}, "/practice/days/1/day", "2026-02-03 is listed twice for this exercise."),
    ({("practice", "entered_by"): GONE}, "/practice/entered_by", "Say who entered the log: patient, carer or clinician from diary."),
    ({("practice", "returned"): "no"}, "/practice/returned", "The log is marked as not returned, yet holds days."),
    ({("practice", "end"): "2026-02-02"}, "/practice/end", "Log end 2026-02-02 is before its start (2026-02-03)."),
    ({("practice", "end"): "2026-12-02"}, "/practice/end", "Log end 2026-12-02 is in the future."),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "pointer", "message"), PRACTICE)
def test_a_practice_log_is_held_against_the_plan(example, judge, changes, pointer, message) -> None:
    assert (pointer, message) in _said(judge(_changed(example(REVISIT), changes), ON_FILE), Severity.ERROR)


def test_a_practice_log_may_lie_in_a_plan_that_was_replaced(example, judge) -> None:
    newer = PlanOnFile(date(2026, 2, 8), None, PLAN.lines)
    older = replace(PLAN, end=date(2026, 2, 7))
    assert judge(example(REVISIT), replace(ON_FILE, plans=(older, newer))).issues == ()


def test_a_plan_without_end_is_named_so(example, judge) -> None:
    context = replace(ON_FILE, plans=(PlanOnFile(date(2026, 2, 4), None, PLAN.lines),))
    message = "Practice day 2026-02-03 is outside the plan (2026-02-04 to no end)."
    assert ("/practice/days/0/day", message) in _said(judge(example(REVISIT), context), Severity.ERROR)


@pytest.mark.parametrize(
    ("changes", "pointer", "message"),
    [
        ({("practice", "days", 0, "repetitions"): 91}, "/practice/days/0/repetitions", "More than three times the planned dose; check, and tell the clinician."),
        ({("practice", "days", 0, "symptoms"): ["hiccups", "Chest pain"]}, "/practice/days/0/symptoms/1", "'Chest pain' is on the stop list; practice stops and the clinician is told."),
    ],
)  # fmt: skip
def test_practice_warnings(example, judge, changes, pointer, message) -> None:
    checked = judge(_changed(example(REVISIT), changes), ON_FILE)
    assert _said(checked, Severity.WARNING) == [(pointer, message)]
    assert checked.record is not None


def test_zero_repetitions_are_a_value(example, judge) -> None:
    checked = judge(_changed(example(REVISIT), {("practice", "days", 0, "repetitions"): 0}), ON_FILE)
    assert checked.record.practice.days[0].repetitions == 0


def test_two_visits_at_one_time(example, judge) -> None:
    same = VisitOnFile("another", datetime(2026, 2, 10, 14, 30, tzinfo=UTC))
    message = "Two visits share 2026-02-10T09:30:00-05:00; correct one of them."
    said = _said(judge(example(REVISIT), replace(ON_FILE, visits=(same,))), Severity.ERROR)
    assert said == [("/visit/start", message)]


def test_a_correction_does_not_clash_with_itself(example, judge) -> None:
    itself = VisitOnFile("demo-01-visit-2", datetime(2026, 2, 10, 14, 30, tzinfo=UTC))
    assert judge(example(REVISIT), replace(ON_FILE, visits=(itself,))).issues == ()


def test_a_screen_on_file_counts_to_its_last_day(example, judge) -> None:
    on_last_day = replace(ON_FILE, screen=ScreenOnFile(date(2025, 11, 12), {}))
    day_after = replace(ON_FILE, screen=ScreenOnFile(date(2025, 11, 11), {}))
    assert judge(example(REVISIT), on_last_day).errors == ()
    assert [issue.rule for issue in judge(example(REVISIT), day_after).errors] == ["screen-current"]


@pytest.mark.parametrize("answer", ["yes", "unknown"])
def test_clearance_on_file_lifts_the_block_up_to_its_effort(example, judge, answer) -> None:
    marked = replace(ON_FILE, screen=ScreenOnFile(date(2026, 2, 3), {"heart_failure": answer}))
    cleared = replace(marked, clearance=ClearanceOnFile(date(2026, 2, 3), "limited", "medium"))
    assert [issue.rule for issue in judge(example(REVISIT), marked).errors] == ["clearance-needed"]
    assert {issue.message for issue in judge(example(REVISIT), cleared).errors} == {
        "Effort 'strong' is above the cleared limit 'medium'."
    }


@pytest.mark.parametrize("key", ["hernia", "fatigue_disorder"])
def test_an_item_that_does_not_block_only_informs(example, judge, key) -> None:
    context = replace(ON_FILE, screen=ScreenOnFile(date(2026, 2, 3), {key: "yes"}))
    assert judge(example(REVISIT), context).issues == ()


def test_trials_that_were_not_done_need_no_screen(example, judge) -> None:
    not_done = {
        ("observed",): "not done",
        ("reason",): "refused",
        ("hold_s",): GONE,
        ("own_judgement",): GONE,
    }
    changes = {("training", "trials", n, *key): value for n in range(10) for key, value in not_done.items()}
    assert judge(_changed(example(REVISIT), changes), replace(ON_FILE, screen=None)).errors == ()


def test_a_goal_on_file_is_reviewed_not_set_again(example, judge, on_file, chronicle) -> None:
    first = chronicle["demo-01"][1][2].record
    document = example(REVISIT)
    document.tree["goals"] = example(VISIT).tree["goals"][:1]
    message = "Goal 'closure' is already on file; state what changed under goal_reviews."
    assert ("/goals/0/key", message) in _said(judge(document, on_file([first])), Severity.ERROR)


def test_a_goal_without_baseline_can_not_be_made_active(example, judge) -> None:
    document = example(REVISIT)
    document.tree["goal_reviews"] = [{"goal": "voice", "lifecycle_status": "active"}]
    context = replace(ON_FILE, goals={"voice": GoalOnFile("voice", "accepted", has_baseline=False)})
    message = "Record a baseline before making the goal active."
    assert _said(judge(document, context), Severity.ERROR) == [("/goal_reviews/0/lifecycle_status", message)]


def test_a_screen_of_a_later_day_does_not_count(example, judge) -> None:
    checked = judge(_changed(example(VISIT), {("safety_screen", "date"): "2026-02-04"}), RecordContext())
    assert [issue.rule for issue in checked.errors] == ["screen-date", "screen-current"]


def test_an_exercise_stands_once_in_a_plan(example, judge) -> None:
    document = example(VISIT)
    document.tree["home_plan"]["lines"] *= 2
    said = _said(judge(document, RecordContext()), Severity.ERROR)
    assert said == [("/home_plan/lines/1/exercise", "Exercise 'closure' is listed twice.")]


def test_a_goal_to_maintain_may_stand_below_its_baseline(example, judge) -> None:
    changes = {("goals", 0, "baseline", "value"): 100, ("goals", 0, "purpose"): "maintain"}
    assert judge(_changed(example(VISIT), changes), replace(ON_FILE, plans=())).issues == ()


def test_more_visits_wanted_than_planned(example, judge) -> None:
    checked = judge(example(VISIT), replace(ON_FILE, plans=(), visits_planned=1))
    said = _said(checked, Severity.WARNING)
    assert ("/goals/0/criterion/visits", "The criterion asks for 2 visits, but 1 are planned.") in said


def test_a_birth_date_that_differs_from_the_one_on_file(example, judge) -> None:
    checked = judge(example(VISIT), replace(ON_FILE, plans=(), birth_date=date(1958, 2, 6)))
    assert [issue.rule for issue in checked.warnings] == ["birth-date-on-file"]


def test_a_clock_five_minutes_ahead_is_forgiven(example, judge) -> None:
    start = datetime(2026, 2, 10, 14, 30, tzinfo=UTC)
    assert judge(example(REVISIT), ON_FILE, now=start.replace(minute=25)).errors == ()
    assert "visit-past" in {
        issue.rule for issue in judge(example(REVISIT), ON_FILE, now=start.replace(minute=24)).errors
    }


def test_ten_answers_give_the_total(example, judge) -> None:
    checked = judge(_changed(example(VISIT), {("function", "eat10_total"): GONE}), replace(ON_FILE, plans=()))
    assert checked.record.function.eat10_total == 22


def test_an_effect_without_comparison_is_marked_so(example, judge) -> None:
    checked = judge(_changed(example(STUDY), {(*BOLUS, 2, "volume_ml"): 20}), RecordContext())
    assert checked.record.swallow_study.boluses[2].effect == "no comparison"


@pytest.mark.parametrize(
    ("percent", "level"),
    [("0", "none"), ("0.5", "trace"), ("5", "trace"), ("5.1", "mild"), ("25", "mild"), ("26", "moderate"), ("50", "moderate"), ("51", "severe")],
)  # fmt: skip
@pytest.mark.published("Neubauer, Rademaker, Leder 2015, table of severity definitions (from memory)")
def test_residue_percent_and_level(example, judge, percent, level) -> None:
    changes = {(*BOLUS, 0, "residue_vallecula"): level, (*BOLUS, 0, "residue_vallecula_percent"): percent}
    assert judge(_changed(example(STUDY), changes), RecordContext()).issues == ()


@pytest.mark.parametrize(
    ("score", "response"),
    [(2, "throat clear"), (6, "cough effective"), (7, "cough ineffective"), (8, "none")],
)
@pytest.mark.published("Rosenbek 1996, Dysphagia 11:93-98: meanings of scores 2 to 8")
def test_responses_that_fit_the_score(example, judge, score, response) -> None:
    changes = {(*BOLUS, 0, "airway_score"): score, (*BOLUS, 0, "response"): response}
    assert judge(_changed(example(STUDY), changes), RecordContext()).issues == ()

"""A visit record as a FHIR transaction Bundle. Pure: the same record and file give the same Bundle."""

from datetime import tzinfo

from service.records.draft import Draft
from service.records.elements import Element
from service.records.encounter import (
    add_care_team,
    add_encounter,
    add_ending,
    add_episode,
    add_referrals,
)
from service.records.examination import add_endoscopy, add_vital_signs
from service.records.function import add_function
from service.records.goals import add_goal, add_review
from service.records.known import Known
from service.records.person import add_conditions, add_consent, add_patient
from service.records.plan import add_plan
from service.records.practice import add_practice
from service.records.safety import add_clearance, add_red_flags, add_safety_screen
from service.records.signature import as_signed
from service.records.study import add_study
from service.records.training import add_procedure, add_training
from service.records.visit import VisitRecord
from service.terminology.codes import Codes

__all__ = ["author"]


def author(record: VisitRecord, known: Known, codes: Codes, zone: tzinfo) -> Element:
    """The transaction Bundle of one record that keeps the rules.

    ``known`` is what other records put on file. ``zone`` is the site's time zone, for a visit time without
    offset. Numbers stay Decimal. Statuses are those the record states; ``settle`` then compares them with
    what is on file.
    """
    start = record.visit.start
    draft = Draft(record, codes, start if start.tzinfo else start.replace(tzinfo=zone), known.patient)
    if record.person and not known.patient:
        add_patient(draft, record.person)
    add_conditions(draft)
    add_encounter(draft, known.episode or add_episode(draft))
    add_care_team(draft)
    add_referrals(draft)
    if record.visit.reason_for_ending:
        add_ending(draft, record.visit.reason_for_ending)
    if record.research_consent:
        add_consent(draft, record.research_consent)
    _add_safety(draft)
    _add_examination(draft)
    _add_care(draft, known)
    return as_signed(draft.bundle(), record.signature)


def _add_safety(draft: Draft) -> None:
    record = draft.record
    if record.safety_screen:
        add_safety_screen(draft, record.safety_screen)
    if record.clearance:
        add_clearance(draft, record.clearance)
    if record.red_flags:
        add_red_flags(draft, dict(record.red_flags))


def _add_examination(draft: Draft) -> None:
    record = draft.record
    if record.visit.endoscopy:
        add_endoscopy(draft, record.visit.endoscopy)
        if not record.training and not record.swallow_study and record.visit.endoscopy.in_place != "no":
            add_procedure(draft, "laryngeal-endoscopy")
    if record.visit.vital_signs:
        add_vital_signs(draft, record.visit.vital_signs)
    if record.function:
        add_function(draft, record.function)
    if record.swallow_study:
        add_study(draft, record.swallow_study)


def _add_care(draft: Draft, known: Known) -> None:
    record = draft.record
    if record.training:
        add_training(draft, record.training)
    goals = {**known.goals, **{goal.key: add_goal(draft, goal) for goal in record.goals}}
    if record.practice:
        add_practice(draft, record.practice, known)
    if record.home_plan:
        add_plan(draft, record.home_plan, goals)
    for review in record.goal_reviews:
        add_review(draft, review, goals[review.goal])

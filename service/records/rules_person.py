"""Rules on the person, the conditions, research permission and practitioners."""

from datetime import date

from service.records.case import Case
from service.records.report import Report

__all__ = ["check_person"]


def check_person(case: Case, report: Report) -> None:
    """The patient must be known or described; dates of birth plausible; a condition given."""
    record = case.record
    if not case.context.patient_known and record.person is None and record.patient is not None:
        reference = f"{record.patient.system}|{record.patient.value}"
        message = f"Patient {reference} was not found. Create or link the patient before recording a visit."
        report.error("patient", message, "patient-known")
    if record.person is not None and record.person.birth_date is not None:
        _birth_date(case, record.person.birth_date, report.below("person"))
    if not record.conditions and not case.context.has_conditions:
        message = (
            "Give at least one condition that explains the swallowing problem, or record 'cause not known'."
        )
        report.error("conditions", message, "condition-given")
    if record.research_consent is None and not case.context.has_research_consent:
        message = "No research permission on file; this person is left out of research exports."
        report.warn("research_consent", message, "research-permission")


def _birth_date(case: Case, born: date, report: Report) -> None:
    age = case.today.year - born.year - ((case.today.month, case.today.day) < (born.month, born.day))
    if born > case.today:
        report.error("birth_date", f"Birth date {born} is after today.", "birth-date-past")
    elif age > 120:
        message = f"Birth date {born} gives an age of {age} years; check the year."
        report.error("birth_date", message, "birth-date-age")
    if case.context.birth_date not in (None, born):
        message = (
            "The birth date differs from the one on file, which stays. Check that this is the right person."
        )
        report.warn("birth_date", message, "birth-date-on-file")

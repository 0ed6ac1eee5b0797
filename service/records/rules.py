"""Every rule of the visit record, run over one document: all problems at once, warnings apart."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.errors import Issue, Severity
from service.records import shape
from service.records.case import Case
from service.records.context import RecordContext
from service.records.reading import Document
from service.records.report import Report
from service.records.rules_function import check_function
from service.records.rules_goals import check_goals
from service.records.rules_person import check_person
from service.records.rules_plan import check_plan
from service.records.rules_practice import check_practice
from service.records.rules_safety import check_safety
from service.records.rules_signature import check_signature
from service.records.rules_study import check_study, is_compared, plain_swallows
from service.records.rules_trials import check_training
from service.records.rules_visit import check_visit
from service.records.visit import Function, SwallowStudy, VisitRecord
from service.settings import Settings

__all__ = ["Checked", "check"]

_RULES = (
    check_person,
    check_visit,
    check_safety,
    check_function,
    check_study,
    check_training,
    check_plan,
    check_practice,
    check_goals,
    check_signature,
)


@dataclass(frozen=True, slots=True)
class Checked:
    """What checking found. ``record`` is there only when no issue is an error."""

    record: VisitRecord | None
    issues: tuple[Issue, ...]

    @property
    def errors(self) -> tuple[Issue, ...]:
        """The issues that keep the record out."""
        return tuple(issue for issue in self.issues if issue.severity is not Severity.WARNING)

    @property
    def warnings(self) -> tuple[Issue, ...]:
        """The issues to look at."""
        return tuple(issue for issue in self.issues if issue.severity is Severity.WARNING)


def check(document: Document, context: RecordContext, *, now: datetime, settings: Settings) -> Checked:
    """Judge one record by every rule.

    ``context`` is what is on file for its patient as of its visit, ``now`` has a zone. The record comes back
    with what follows from it filled in: an EAT-10 total from ten answers, an effect without comparison.
    """
    report = Report(document.places)
    record = shape.view(document, report, zone=settings.zone)
    case = Case(record, context, now, settings)
    for rule in _RULES:
        rule(case, report)
    issues = tuple(dict.fromkeys(report.issues))
    if any(issue.severity is not Severity.WARNING for issue in issues):
        return Checked(None, issues)
    return Checked(_completed(record), issues)


def _completed(record: VisitRecord) -> VisitRecord:
    changes: dict[str, Any] = {}
    if record.function is not None:
        changes["function"] = _with_total(record.function)
    if record.swallow_study is not None:
        changes["swallow_study"] = _with_effects(record.swallow_study)
    return record.model_copy(update=changes)


def _with_total(function: Function) -> Function:
    if function.eat10_items is None or function.eat10_total is not None:
        return function
    return function.model_copy(update={"eat10_total": sum(function.eat10_items)})


def _with_effects(study: SwallowStudy) -> SwallowStudy:
    plain = plain_swallows(study)
    boluses = [
        bolus
        if bolus.manoeuvre == "none" or is_compared(bolus, plain)
        else bolus.model_copy(update={"effect": "no comparison"})
        for bolus in study.boluses
    ]
    return study.model_copy(update={"boluses": boluses})

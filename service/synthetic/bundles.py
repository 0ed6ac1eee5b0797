"""The records of one person as a transaction Bundle, made by the authoring that the intake uses."""

from collections.abc import Sequence
from datetime import UTC
from typing import Any

from service.records.authoring import author
from service.records.identity import Names, full_url, person_url
from service.records.known import Known, KnownLine, KnownPlan
from service.records.visit import VisitRecord
from service.synthetic.trials import Tree
from service.terminology.codes import Codes

__all__ = ["person_bundle"]


def person_bundle(records: Sequence[Tree], codes: Codes) -> dict[str, Any]:
    """One transaction Bundle of all visits; what a visit refers to of earlier ones stands in the same Bundle.

    It can be sent again: every entry is a conditional create or update.
    """
    known = Known()
    entries: dict[str, Any] = {}
    for tree in records:
        record = VisitRecord.model_validate(tree)
        for entry in author(record, known, codes, UTC)["entry"]:
            entries.setdefault(entry["fullUrl"], entry)
        known = _after(known, record)
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries.values())}


def _after(known: Known, record: VisitRecord) -> Known:
    """What is on file when a record has been taken in, as references inside the Bundle."""
    names = Names(record.record.system, record.record.value)

    def url(path: str) -> str:
        return full_url(names.system, names.value(path))

    plan = record.home_plan
    lines = {
        line.exercise: KnownLine(
            url(f"home-plan/{line.exercise}"), line.daily_repetitions, line.days_per_week
        )
        for line in (plan.lines if plan else ())
    }
    new = (KnownPlan(url("home-plan"), plan.start, plan.end, lines),) if plan else ()
    return Known(
        patient=person_url("Patient", record.patient.system, record.patient.value),
        episode=known.episode or url("episode"),
        goals={**known.goals, **{goal.key: url(f"goals/{goal.key}") for goal in record.goals}},
        plans=(*known.plans, *new),
    )

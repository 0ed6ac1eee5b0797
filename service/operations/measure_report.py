"""The MeasureReport of an evaluation (FHIR R4 measurereport.html). No share stands without its counts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from typing import Literal

from service.attainment.cohort import NOT_MEASURED, Case, Group, Span
from service.attainment.intervals import Interval
from service.attainment.time_to_attainment import Step, TimeToAttainment
from service.deidentify.cells import SMALLEST_TOLD, small
from service.fhir.json import Tree
from service.operations.parts import decimal, quantity, range_of
from service.records.elements import Element, extension, present, reference
from service.records.elements import quantity as amount
from service.records.narrative import narrative
from service.terminology.codes import Codes

__all__ = ["Kind", "Members", "Report", "population_code", "report"]

Kind = Literal["individual", "subject-list", "summary"]
Members = Mapping[tuple[str, str], Sequence[str]]
"""People (``Patient/1``) by kind of goal and population."""
_POPULATION = "http://terminology.hl7.org/CodeSystem/measure-population"
_POPULATIONS = {
    "initial-population": "Initial Population",
    "denominator": "Denominator",
    "numerator": "Numerator",
}
_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
_NOTATION = "http://terminology.hl7.org/CodeSystem/measure-improvement-notation"


@dataclass(frozen=True, slots=True)
class Report:
    """What a report is about: the Measure, the period, when it was made, and of whom.

    Below ``smallest`` people a share is said to be rough, and counts of times are not told.
    """

    measure: Tree
    span: Span
    made: datetime
    kind: Kind
    subject: str = ""
    cases: Sequence[Case] = ()
    members: Members = field(default_factory=dict)
    smallest: int = SMALLEST_TOLD


def report(about: Report, groups: Sequence[Group], people: int, codes: Codes) -> Tree:
    """The MeasureReport of what was counted among ``people``."""
    lists = [_list(kind, name, found) for (kind, name), found in about.members.items()]
    lines = [(_name(group, codes), _line(group)) for group in groups if group.people]
    title = f"{about.measure['title']}, {about.span.start} to {about.span.end}: {people} people looked at"
    return {
        "resourceType": "MeasureReport",
        "text": narrative(title, lines),
        **present(contained=lists),
        "status": "complete",
        "type": about.kind,
        "measure": f"{about.measure['url']}|{about.measure['version']}",
        **present(subject=reference(about.subject) if about.subject else None),
        "date": about.made.isoformat(timespec="seconds"),
        "period": {"start": about.span.start.isoformat(), "end": about.span.end.isoformat()},
        "improvementNotation": {"coding": [{"system": _NOTATION, "code": "increase"}]},
        "group": [_group(group, about, codes) for group in groups],
        **present(evaluatedResource=[reference(one) for one in _evidence(about.cases)]),
    }


def _group(group: Group, about: Report, codes: Codes) -> Element:
    counts = {
        "initial-population": group.people,
        "denominator": group.measured,
        "numerator": group.attained,
    }
    whole = about.kind != "individual"
    return {
        **present(extension=_beside(group, about.smallest) if whole else []),
        "code": codes.concept(group.kind),
        "population": [_population(name, count, group.kind, about) for name, count in counts.items()],
        **(_score(group) if whole else {}),
        **present(stratifier=[_by_status(group, codes)] if group.people else []),
    }


def _population(name: str, count: int, kind: str, about: Report) -> Element:
    listed = (kind, name) in about.members
    return {
        "code": population_code(name),
        "count": count,
        **present(subjectResults=reference(f"#{_list_id(kind, name)}") if listed else None),
    }


def population_code(name: str) -> Element:
    """A population of a measure by its code."""
    return {"coding": [{"system": _POPULATION, "code": name, "display": _POPULATIONS[name]}]}


def _score(group: Group) -> Element:
    if not group.measured:
        return {}
    return {"measureScore": quantity(Fraction(100 * group.attained, group.measured), "%")}


def _by_status(group: Group, codes: Codes) -> Element:
    return {
        "code": [{"text": "Computed status"}],
        "stratum": [
            {
                "value": _status(status, codes),
                "population": [
                    {
                        "code": {"coding": [{"system": _POPULATION, "code": "initial-population"}]},
                        "count": count,
                    }
                ],
            }
            for status, count in group.statuses.items()
        ],
    }


def _status(status: str, codes: Codes) -> Element:
    if status == NOT_MEASURED:
        return {"text": "not measured in the period"}
    return {"coding": [codes.coding(_ACHIEVEMENT, status)], "text": codes.display(_ACHIEVEMENT, status)}


def _beside(group: Group, smallest: int) -> list[Element]:
    """The interval of the score, a word of caution where people are few, and the time it took."""
    found: list[Element] = []
    if group.share:
        percent = Interval(100 * group.share.low, 100 * group.share.high, group.share.method)
        found.append(extension("measure-score-interval", {"valueRange": range_of(percent, "%")}))
    if small(group.measured, smallest):
        text = f"{group.measured} people were measured: the share is rough, and may tell who they are."
        found.append(extension("measure-caution", {"valueString": text}))
    if group.time.n >= smallest:
        found.append(extension("time-to-attainment", _time(group.time, smallest)))
    return found


def _time(time: TimeToAttainment, k: int) -> list[Element]:
    parts: list[Element] = [{"url": "people", "valueUnsignedInt": time.n}]
    if not small(time.attained, k):
        parts.append({"url": "attained", "valueUnsignedInt": time.attained})
    for name, kind in (("died", "died"), ("medicalChange", "medical-change")):
        if not small(time.competing[kind], k):
            parts.append({"url": name, "valueUnsignedInt": time.competing[kind]})
    if time.median is None:
        parts.append({"url": "reason", "valueString": time.reason})
    else:
        parts.append({"url": "median", "valueQuantity": amount(time.median, "d")})
    # the incidence would tell how many there were
    ends = not any(small(count, k) for count in time.competing.values())
    return [*parts, *(_step(step, k, ends=ends) for step in time.steps if not small(step.at_risk, k))]


def _step(step: Step, k: int, *, ends: bool) -> Element:
    told: list[Element] = [
        {"url": "days", "valueUnsignedInt": step.days},
        {"url": "atRisk", "valueUnsignedInt": step.at_risk},
    ]
    if not small(step.attained, k):  # what is left could be worked out from the share otherwise
        told.append({"url": "attained", "valueUnsignedInt": step.attained})
        told.append({"url": "waiting", "valueDecimal": decimal(step.waiting)})
        if ends:
            told.append({"url": "incidence", "valueDecimal": decimal(step.incidence)})
    return {"url": "step", "extension": told}


def _list(kind: str, name: str, people: Sequence[str]) -> Element:
    return {
        "resourceType": "List",
        "id": _list_id(kind, name),
        "status": "current",
        "mode": "snapshot",
        "entry": [{"item": reference(one)} for one in people],
    }


def _list_id(kind: str, name: str) -> str:
    return f"{kind}-{name}"


def _evidence(cases: Sequence[Case]) -> list[str]:
    found: list[str] = [source for case in cases for source in (case.goal.reference, *case.goal.evidence)]
    return list(dict.fromkeys(found))


def _name(group: Group, codes: Codes) -> str:
    return str(codes.concept(group.kind)["text"])


def _line(group: Group) -> str:
    """``12 with such a goal; 4 of 10 measured attained it (95 %: 16.8-68.7 %)``."""
    said = f"{group.people} with such a goal; {group.attained} of {group.measured} measured attained it"
    if group.share is None:
        return said
    return f"{said} (95 %: {100 * group.share.low:.1f}-{100 * group.share.high:.1f} %)"

"""A cohort's answer as a MeasureReport (FHIR R4 measurereport.html): summaries alone, nobody is listed.

A count that is hidden is there as ``_count`` with the reason ``masked``.
"""

from collections.abc import Iterable
from datetime import datetime

from service.attainment.curve import ATTAINED, Point
from service.fhir.json import Tree
from service.jobs.cohort_answer import CohortAnswer, Kind
from service.jobs.cohort_curves import Curve
from service.jobs.cohort_strata import bands, endings, judgements, populations
from service.operations.measures import COHORT, measure
from service.operations.parts import decimal
from service.records.elements import Element, extension, present
from service.records.elements import quantity as amount
from service.records.narrative import narrative
from service.terminology.codes import Codes

__all__ = ["as_measure_report"]

_HTEST = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_UNKNOWN = {"extension": [{"url": _ABSENT, "valueCode": "unknown"}]}


def as_measure_report(answer: CohortAnswer, made: datetime, codes: Codes) -> Tree:
    """The report; its period is the years of first visits, where they were asked for."""
    about, years = measure(COHORT), answer.asked.first_visit
    lines = [(str(codes.concept(kind.measure)["text"]), _line(kind)) for kind in answer.kinds]
    return {
        "resourceType": "MeasureReport",
        **({"meta": {"security": [_HTEST]}} if answer.test_data == "all" else {}),
        "text": narrative(about["title"], [*lines, ("Notes", " ".join(answer.notes))]),
        "status": "complete",
        "type": "summary",
        "measure": f"{about['url']}|{about['version']}",
        "date": made.isoformat(timespec="seconds"),
        "period": {"start": str(years[0]), "end": str(years[1])} if years else _UNKNOWN,
        "group": [*(_group(kind, answer, codes) for kind in answer.kinds), *judgements(answer)],
    }


def _group(kind: Kind, answer: CohortAnswer, codes: Codes) -> Element:
    by = answer.asked.by
    whole = kind.days[0] if kind.days else None
    return {
        **present(extension=[_time(whole)] if whole else []),
        "code": codes.concept(kind.measure),
        "population": populations(whole.people if whole else None, _attained(whole)),
        **present(
            stratifier=[
                *([_strata(by, kind.days[1:])] if by and len(kind.days) > 1 else []),
                *(one for table in kind.tables for one in (bands(table, by), endings(table, by))),
            ]
        ),
    }


def _strata(by: str, curves: Iterable[Curve]) -> Element:
    strata = [
        {
            "extension": [_time(one)],
            "value": {"text": one.stratum},
            "population": populations(one.people, _attained(one)),
        }
        for one in curves
    ]
    return {"code": [{"text": by}], "stratum": strata}


def _attained(curve: Curve | None) -> int | None:
    return None if curve is None else sum(point.ended.get(ATTAINED, 0) for point in curve.steps)


def _time(curve: Curve) -> Element:
    ended: dict[str, int] = {}
    for point in curve.ends:
        for kind, count in point.ended.items():
            ended[kind] = ended.get(kind, 0) + count
    told: list[Element] = [
        {"url": "people", "valueUnsignedInt": curve.people},
        {"url": "attained", "valueUnsignedInt": _attained(curve)},
    ]
    for name, kind in (("died", "died"), ("medicalChange", "medical-change"), ("discharged", "discharged")):
        if kind in ended:
            told.append({"url": name, "valueUnsignedInt": ended[kind]})
    half = next((point.time for point in curve.ends if 2 * point.incidence[ATTAINED] >= 1), None)
    if half is None:
        reason = "not reached" if curve.ends else "endings of few people are not told apart"
        told.append({"url": "reason", "valueString": reason})
    else:
        told.append({"url": "median", "valueQuantity": amount(half, "d")})
    shares = {point.time: point for point in curve.ends}
    return extension("time-to-attainment", [*told, *(_step(point, shares) for point in curve.steps)])


def _step(point: Point, shares: dict[int, Point]) -> Element:
    told: list[Element] = [
        {"url": "days", "valueUnsignedInt": point.time},
        {"url": "atRisk", "valueUnsignedInt": point.at_risk},
        {"url": "attained", "valueUnsignedInt": point.ended.get(ATTAINED, 0)},
        {"url": "waiting", "valueDecimal": decimal(point.waiting)},
    ]
    if point.time in shares:
        incidence = shares[point.time].incidence[ATTAINED]
        told.append({"url": "incidence", "valueDecimal": decimal(incidence)})
    return {"url": "step", "extension": told}


def _line(kind: Kind) -> str:
    """``60 of 131 attained``, or why nothing is told."""
    if not kind.days:
        return f"nothing is told: {kind.reason}"
    whole = kind.days[0]
    return f"{_attained(whole)} of {whole.people} attained"

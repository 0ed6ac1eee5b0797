"""What research tables tell of a cohort, for who may export: nothing of it is about single people."""

from typing import Annotated, Any

from fastapi import Depends
from starlette.responses import Response

from service.errors import InvalidInput, NotAcceptable
from service.fhir.json import dump
from service.jobs.cohort_measure_report import as_measure_report
from service.jobs.cohort_question import STRATA
from service.jobs.cohort_tree import as_csv, as_tree
from service.rest.call import Call, current_call
from service.rest.described import FHIR_JSON, answers
from service.terminology.codes import codes

__all__ = ["DOCS", "FHIR_JSON", "cohort"]

_PARAMETERS = {
    "by": f"What groups are told apart by: {', '.join(STRATA)}.",
    "measure": "Only goals of this kind; may be repeated.",
    "site": "Only this folder of tables; may be repeated.",
    "condition": "Only people with a condition whose code begins so; may be repeated.",
    "age": "Only people of this age class, such as 60-69; may be repeated.",
    "first-visit": "Only people first seen in these years: 2025 or 2024..2026.",
    "policy": "Only tables released by this policy; may be repeated.",
    "_format": "json: everything that is told; csv: the same, a value a row; else a MeasureReport.",
}
DOCS: dict[str, Any] = {
    "tags": ["Research"],
    "summary": "What research tables tell of reaching goals; small counts are hidden",
    "responses": answers({200: "A MeasureReport of the type summary."}),
    "openapi_extra": {
        "parameters": [
            {"name": name, "in": "query", "description": text, "schema": {"type": "string"}}
            for name, text in _PARAMETERS.items()
        ]
    },
}


async def cohort(call: Annotated[Call, Depends(current_call)]) -> Response:
    """Answer from the tables that the operator has put in place. One cohort is counted at a time."""
    services = call.services
    given = _given(call)
    format_ = given.pop("_format", ["fhir"])[-1]
    if format_ not in {"fhir", "json", "csv"}:
        raise NotAcceptable("A cohort is told as json, as csv, or without _format as a MeasureReport.")
    told = await services.cohorts.told(given)
    if format_ == "json":
        return Response(dump(as_tree(told)), media_type="application/json")
    if format_ == "csv":
        return Response(as_csv(told), media_type="text/csv; charset=utf-8")
    made = services.now().astimezone(services.settings.zone)
    report = as_measure_report(told, made, codes(services.settings.snomed))
    return Response(dump(report), media_type=FHIR_JSON)


def _given(call: Call) -> dict[str, list[str]]:
    given: dict[str, list[str]] = {}
    for name, value in call.request.query_params.multi_items():
        given.setdefault(name, []).append(value)
    if unknown := sorted(given.keys() - _PARAMETERS.keys()):
        raise InvalidInput(
            f"Not known here: {', '.join(unknown)[:200]}; there are: {', '.join(_PARAMETERS)}."
        )
    return given

"""The page of a cohort: what research tables tell of reaching goals, for who may export; nobody is named."""

from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.attainment.measures import MEASURES
from service.errors import InvalidInput
from service.fhir.json import dump
from service.jobs.cohort_answer import CohortAnswer
from service.jobs.cohort_question import STRATA
from service.jobs.cohort_tree import as_csv, as_tree
from service.jobs.cohorts import Cohorts
from service.page.cohort_form import Form, form
from service.page.cohort_view import cohort_view
from service.page.guard import Guard
from service.page.rendering import html
from service.page.scales import scale
from service.page.sections import COHORT

__all__ = ["cohort_routes"]


def cohort_routes(cohorts: Callable[[Request], Cohorts], guard: Guard) -> list[Route]:
    """The routes of the page; ``cohorts`` are those of the service that answers."""
    pages = _Pages(cohorts, guard)
    table = (
        (COHORT.address, pages.shown),
        (f"{COHORT.address}.json", pages.as_json),
        (f"{COHORT.address}.csv", pages.as_csv),
    )
    return [
        Route(path, guard.around(answer), methods=["GET"], include_in_schema=False) for path, answer in table
    ]


class _Pages:
    def __init__(self, cohorts: Callable[[Request], Cohorts], guard: Guard) -> None:
        self._cohorts, self._guard = cohorts, guard

    async def shown(self, request: Request) -> Response:
        """GET /app/cohort."""
        caller = await self._guard.caller(request, COHORT)
        cohorts = self._cohorts(request)
        if not cohorts.tables:
            return html("cohort_none.html", caller=caller.called)
        asked, problem, view = Form({}), "", None
        try:
            asked = form(request.query_params)
            view = cohort_view(await cohorts.told(dict(asked.given)), asked.stratum)
        except InvalidInput as refused:
            problem = str(refused)
        sites = await cohorts.sites()
        return html(
            "cohort.html",
            status=400 if problem else 200,
            caller=caller.called,
            problem=problem,
            view=view,
            form=asked,
            strata=STRATA,
            measures={measure: scale(measure, ()).name for measure in MEASURES},
            sites=[one.site for one in sites],
            policies=sorted({one.policy for one in sites if one.policy}),
        )

    async def as_json(self, request: Request) -> Response:
        """GET /app/cohort.json: everything that is told."""
        return _file(dump(as_tree(await self._told(request))), "application/json", "json")

    async def as_csv(self, request: Request) -> Response:
        """GET /app/cohort.csv: the same, a value a row."""
        return _file(as_csv(await self._told(request)), "text/csv; charset=utf-8", "csv")

    async def _told(self, request: Request) -> CohortAnswer:
        await self._guard.caller(request, COHORT)
        return await self._cohorts(request).told(dict(form(request.query_params).given))


def _file(content: str | bytes, media_type: str, ending: str) -> Response:
    named = {"Content-Disposition": f'attachment; filename="cohort.{ending}"'}
    return Response(content, media_type=media_type, headers=named)

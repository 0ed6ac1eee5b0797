"""The table of pages: path, methods and what answers."""

import asyncio
from collections.abc import Callable, Mapping
from datetime import date
from importlib.resources import files
from typing import Protocol

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.errors import InvalidInput, NotFound
from service.page.amended_rows import AmendedView
from service.page.decision_rows import DecisionRow
from service.page.guard import Guard
from service.page.patient_view import PatientView
from service.page.rendering import html
from service.page.resources import ResourceView
from service.page.sign_in import SignIn
from service.page.summary import summary_pdf
from service.page.visit_view import VisitView
from service.security.principal import Principal

__all__ = ["Views", "page_routes"]


class Views(Protocol):
    """Where the pages get what they show: the same computed answer as the API's."""

    async def patient(self, id_: str, day: date | None, caller: Principal) -> PatientView:
        """Answer one person as of a day (None: today at the site) for a caller; NotFound or Gone."""
        ...

    async def visit(self, patient: str, encounter: str, caller: Principal) -> VisitView:
        """Answer one visit of one person for a caller; NotFound or Gone."""
        ...

    async def amended(self, encounter: str, caller: Principal) -> AmendedView:
        """Answer what an amendment changed of a visit since it was signed."""
        ...

    async def decisions(self, names: Mapping[str, str], caller: Principal) -> tuple[DecisionRow, ...]:
        """Answer what was decided about resources, newest first; none where the caller may not read it."""
        ...

    def today(self) -> date:
        """Answer today at the site."""
        ...

    async def resource(self, type_: str, id_: str, caller: Principal) -> ResourceView:
        """Answer one stored resource the caller may read; NotFound or Gone."""
        ...


def page_routes(views: Callable[[Request, Principal], Views], guard: Guard, sign_in: SignIn) -> list[Route]:
    """Every route under /app but the list of patients, ready for the application's router.

    ``views`` answers the source for a request and its caller: a store may open only when the service starts.
    """
    pages = _Pages(views, guard)
    table = (
        ("/app/patients/{id}", "GET", pages.patient),
        ("/app/patients/{id}/summary.pdf", "GET", pages.summary),
        ("/app/patients/{id}/visits/{encounter}", "GET", pages.visit),
        ("/app/resources/{type}/{id}", "GET", pages.resource),
        ("/app/sign-in", "GET", sign_in.form),
        ("/app/sign-in", "POST", sign_in.enter),
        ("/app/sign-out", "POST", sign_in.leave),
        ("/app/style.css", "GET", _style),
        ("/app/{rest:path}", "GET", _nowhere),
    )
    open_ = (sign_in.form, _style)
    return [
        Route(
            path, guard.around(answer, audited=answer not in open_), methods=[method], include_in_schema=False
        )
        for path, method, answer in table
    ]


class _Pages:
    def __init__(self, views: Callable[[Request, Principal], Views], guard: Guard) -> None:
        self._views, self._guard = views, guard

    async def patient(self, request: Request) -> Response:
        caller = await self._guard.caller(request)
        views = self._views(request, caller)
        view = await views.patient(request.path_params["id"], _as_of(request), caller)
        return html(
            "patient.html",
            caller=caller.called,
            view=view,
            decisions=await views.decisions(view.names, caller),
            decided=request.query_params.get("decided", ""),
        )

    async def summary(self, request: Request) -> Response:
        caller = await self._guard.caller(request)
        views = self._views(request, caller)
        view = await views.patient(request.path_params["id"], _as_of(request), caller)
        # compiling keeps a processor busy for a moment: off the event loop
        sheet = await asyncio.to_thread(summary_pdf, view, author=caller.called, made=views.today())
        name = f"progress-summary-{view.day.isoformat()}.pdf"
        headers = {
            "Content-Disposition": f'inline; filename="{name}"',  # whose it is stands inside only
            # a browser shows it in a document of its own making, whose styles the pages' policy would refuse
            "Content-Security-Policy": "frame-ancestors 'none'",
        }
        return Response(sheet, media_type="application/pdf", headers=headers)

    async def visit(self, request: Request) -> Response:
        caller = await self._guard.caller(request)
        patient, encounter = request.path_params["id"], request.path_params["encounter"]
        views = self._views(request, caller)
        view = await views.visit(patient, encounter, caller)
        return html(
            "visit.html",
            caller=caller.called,
            view=view,
            amended=await views.amended(encounter, caller) if view.amended else AmendedView(),
            decisions=await views.decisions(view.names, caller),
            decided=request.query_params.get("decided", ""),
        )

    async def resource(self, request: Request) -> Response:
        caller = await self._guard.caller(request)
        type_, id_ = request.path_params["type"], request.path_params["id"]
        view = await self._views(request, caller).resource(type_, id_, caller)
        return html("resource.html", caller=caller.called, view=view)


def _as_of(request: Request) -> date | None:
    text = request.query_params.get("date", "")
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise InvalidInput(f"'{text[:40]}' is not a date like 2026-03-24.") from None


async def _style(_request: Request) -> Response:
    css = (files("service.page") / "static" / "style.css").read_bytes()
    return Response(css, media_type="text/css", headers={"Cache-Control": "max-age=3600"})


async def _nowhere(_request: Request) -> Response:
    raise NotFound("There is no page at this address.")

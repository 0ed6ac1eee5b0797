"""The list of patients: who is on it, where their open goals stand, what asks for attention.

What it shows is kept row by row (``panel_row.py``). A row that is behind is made anew before it is shown, as
far as there is time; one that still is says so. Names are looked for by a posted form: addresses go into
histories and the logs of proxies.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import parse_qs

import msgspec
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.errors import InvalidInput, TooLarge
from service.fhir.json import reread
from service.fhir.references import local_target
from service.fhir.search_values import fold
from service.jobs.summaries import Summaries
from service.page.guard import Guard
from service.page.panel_query import COLUMNS, CUES, PEOPLE_ON_A_PAGE, STATUSES, Asked, asked
from service.page.panel_row import PanelRow, unmade
from service.page.rendering import html
from service.security.principal import Principal
from service.security.scopes import require
from service.store.summaries import Listed, SummaryPage, SummaryQuery

__all__ = ["Person", "panel_routes"]

_NEEDS = ("CarePlan.rs CareTeam.rs QuestionnaireResponse.rs",)
"""What the list shows beside what every page needs."""
_HURRY_S = 0.1
"""How long a request makes rows anew before it shows those that are behind as such."""
_LONGEST_FORM = 2_000


@dataclass(frozen=True, slots=True)
class Person:
    """A line of the list; ``days_since`` the last visit. ``behind``: more is on file than in ``row``."""

    id: str
    row: PanelRow
    days_since: int | None
    behind: bool


def panel_routes(summaries: Callable[[Request], Summaries], guard: Guard) -> list[Route]:
    """The routes of the list; ``summaries`` answers the rows for a request."""
    panel = _Panel(summaries, guard)
    table = (("/app", "GET", panel.listed), ("/app/", "GET", panel.listed), ("/app", "POST", panel.found))
    return [
        Route(path, guard.around(answer), methods=[method], include_in_schema=False)
        for path, method, answer in table
    ]


class _Panel:
    def __init__(self, summaries: Callable[[Request], Summaries], guard: Guard) -> None:
        self._summaries, self._guard = summaries, guard

    async def listed(self, request: Request) -> Response:
        """GET /app: narrowed, ordered, page by page."""
        caller, view = self._guard.caller(request), asked(request.query_params)
        require(caller.scopes, _NEEDS)
        summaries = self._summaries(request)
        whose = _whose(caller, view.whose, self._guard.base_url)
        query = view.query(summaries.today, summaries.maker.basis, whose)
        page = await _up_to_date(summaries, query)
        return html(
            "panel.html",
            **_choices(caller, whose, view),
            **await _shown(summaries, page),
            pages=max(1, -(-page.total // PEOPLE_ON_A_PAGE)),
            looked_for="",
        )

    async def found(self, request: Request) -> Response:
        """POST /app: people of the list by name."""
        self._guard.same_origin(request)
        caller = self._guard.caller(request)
        require(caller.scopes, _NEEDS)
        fields = await _posted(request)
        name, view = fields.get("name", ""), asked({"list": fields.get("list", "")})
        words = tuple(fold(name).split())
        if not words:
            raise InvalidInput("Write a name, or the beginning of one.")
        summaries = self._summaries(request)
        whose = _whose(caller, view.whose, self._guard.base_url)
        tags = (f"team={whose}",) if whose else ()
        query = SummaryQuery(summaries.today.isoformat(), summaries.maker.basis, tags, words)
        page = await _up_to_date(summaries, query)
        return html(
            "panel.html",
            **_choices(caller, whose, view),
            **await _shown(summaries, page),
            pages=1,
            looked_for=name,
        )


def _whose(caller: Principal, list_: str, base_url: str) -> str:
    """Whose list it is: the caller's reference, empty for all people the token may read.

    The one place that decides which people somebody is shown in lists.
    """
    return "" if list_ == "all" else _member(caller, base_url)


def _member(caller: Principal, base_url: str) -> str:
    base = f"{base_url.rstrip('/')}/fhir" if base_url else ""
    return local_target(caller.fhir_user, base) if caller.fhir_user else ""


async def _up_to_date(summaries: Summaries, query: SummaryQuery) -> SummaryPage:
    """A page of the list, its rows made anew as far as there is time."""
    page = await summaries.store.summaries(query)
    if page.behind:
        await summaries.hurry([one.patient for one in page.listed if one.behind], _HURRY_S)
        page = await summaries.store.summaries(query)
    return page


async def _shown(summaries: Summaries, page: SummaryPage) -> dict[str, Any]:
    people = [await _person(summaries, one) for one in page.listed]
    return {"people": people, "total": page.total, "behind": page.behind, "today": summaries.today}


async def _person(summaries: Summaries, listed: Listed) -> Person:
    row = msgspec.json.decode(listed.content, type=PanelRow) if listed.content else None
    if row is None:
        stored = await summaries.store.read("Patient", listed.patient)
        row = (
            unmade(reread(stored.content)) if stored and not stored.deleted else PanelRow("No longer on file")
        )
    return Person(listed.patient, row, _days(row.last_visit, summaries.today), listed.behind)


def _days(since: date | None, today: date) -> int | None:
    return (today - since).days if since else None


def _choices(caller: Principal, whose: str, view: Asked) -> dict[str, Any]:
    """Who asks, what was asked, and what can be."""
    return {
        "caller": caller.subject,
        "member": caller.fhir_user,
        "mine": bool(whose),
        "asked": view,
        "columns": COLUMNS,
        "statuses": STATUSES,
        "cue_words": CUES,
    }


async def _posted(request: Request) -> dict[str, str]:
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > _LONGEST_FORM:
            raise TooLarge("This form takes a name.")
    fields = parse_qs(body.decode("utf-8", "replace"))
    return {name: values[0].strip() for name, values in fields.items()}

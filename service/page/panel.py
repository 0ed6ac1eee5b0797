"""The list of patients: who is on it, where their open goals stand, what asks for attention.

What it shows is kept row by row (``panel_row.py``). A row that is behind is made anew before it is shown, as
far as there is time; one that still is says so. Names are looked for by a posted form: addresses go into
histories and the logs of proxies.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from urllib.parse import parse_qs, urlencode

import msgspec
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.attainment.cues import NO_CUE_IS_NOT_SAFETY
from service.errors import InvalidInput, TooLarge
from service.fhir.json import reread
from service.fhir.references import local_target
from service.fhir.search_values import fold
from service.jobs.summaries import Summaries
from service.page import facts
from service.page.guard import Guard
from service.page.panel_query import COLUMNS, CUES, PEOPLE_ON_A_PAGE, STATUSES, Asked, asked
from service.page.panel_row import PanelRow, unmade
from service.page.rendering import html
from service.security.audit import facts_of, request_line
from service.security.principal import Principal
from service.security.scopes import require
from service.store.contract import Store
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


def panel_routes(
    summaries: Callable[[Request], Summaries], store: Callable[[Request, Principal], Store], guard: Guard
) -> list[Route]:
    """The routes of the list.

    ``summaries`` keeps the rows up to date, ``store`` answers what is stored as far as a caller reaches.
    """
    panel = _Panel(summaries, store, guard)
    table = (("/app", "GET", panel.listed), ("/app/", "GET", panel.listed), ("/app", "POST", panel.found))
    return [
        Route(path, guard.around(answer), methods=[method], include_in_schema=False)
        for path, method, answer in table
    ]


class _Panel:
    def __init__(
        self,
        summaries: Callable[[Request], Summaries],
        store: Callable[[Request, Principal], Store],
        guard: Guard,
    ) -> None:
        self._summaries, self._store, self._guard = summaries, store, guard

    async def listed(self, request: Request) -> Response:
        """GET /app: narrowed, ordered, page by page."""
        return await self._answer(request, await self._caller(request), asked(request.query_params))

    async def found(self, request: Request) -> Response:
        """POST /app: people of the list by name."""
        self._guard.same_origin(request)
        caller = await self._caller(request)
        fields = await _posted(request)
        if not fields.get("name"):
            raise InvalidInput("Write a name, or a part of one.")
        return await self._answer(request, caller, asked({"list": fields.get("list", "")}), fields["name"])

    async def _caller(self, request: Request) -> Principal:
        caller = await self._guard.caller(request)
        require(caller.scopes, _NEEDS)
        return caller

    async def _answer(self, request: Request, caller: Principal, view: Asked, name: str = "") -> Response:
        summaries, store = self._summaries(request), self._store(request, caller)
        whose = _whose(caller, view.whose, self._guard.fhir_base)
        asks = view.query(summaries.today, summaries.maker.basis, whose)
        page = await _up_to_date(summaries, store, replace(asks, name=tuple(fold(name).split())))
        _note(request, page, name)
        return html(
            "panel.html",
            **_choices(caller, whose, view),
            called=await _called(store, caller, whose),
            people=[await _person(store, one, summaries.today) for one in page.listed],
            total=page.total,
            behind=page.behind,
            today=summaries.today,
            pages=1 if name else max(1, -(-page.total // PEOPLE_ON_A_PAGE)),
            looked_for=name,
        )


def _note(request: Request, page: SummaryPage, name: str) -> None:
    """Note whom the list shows, and by what they were looked for, for the AuditEvent that tells of it."""
    if (facts := facts_of(request.scope)) is not None:
        facts.subtype, facts.action = "search-type", "E"
        facts.query = request_line(request.scope, urlencode({"name": name}).encode() if name else b"")
        facts.patients |= dict.fromkeys(one.patient for one in page.listed)


def _whose(caller: Principal, list_: str, base: str) -> str:
    """Whose list it is: the caller's reference, empty for all people the token may read.

    It narrows what the store shows of people, who keeps to whom the caller reaches.
    """
    return "" if list_ == "all" else local_target(caller.fhir_user, base) or caller.fhir_user


async def _called(store: Store, caller: Principal, whose: str) -> str:
    """The name of whose list it is, if it is on file and the caller may read it; else the reference."""
    type_, _, id_ = whose.rpartition("/")
    if not caller.scopes.allow("r", type_):
        return whose
    stored = await store.read(type_, id_)
    return whose if stored is None or stored.deleted else facts.name(reread(stored.content))


async def _up_to_date(summaries: Summaries, store: Store, query: SummaryQuery) -> SummaryPage:
    """A page of the list, its rows made anew as far as there is time."""
    page = await store.summaries(query)
    if page.behind:
        await summaries.hurry([one.patient for one in page.listed if one.behind], _HURRY_S)
        page = await store.summaries(query)
    return page


async def _person(store: Store, listed: Listed, today: date) -> Person:
    row = msgspec.json.decode(listed.content, type=PanelRow) if listed.content else None
    if row is None:
        stored = await store.read("Patient", listed.patient)
        row = (
            unmade(reread(stored.content)) if stored and not stored.deleted else PanelRow("No longer on file")
        )
    return Person(listed.patient, row, _days(row.last_visit, today), listed.behind)


def _days(since: date | None, today: date) -> int | None:
    return (today - since).days if since else None


def _choices(caller: Principal, whose: str, view: Asked) -> dict[str, Any]:
    """Who asks, what was asked, and what can be."""
    return {
        "caller": caller.called,
        "member": caller.fhir_user,
        "no_cue_is_not_safety": NO_CUE_IS_NOT_SAFETY,
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

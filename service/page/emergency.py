"""Breaking the glass on the page: opening a person's record in an emergency, for a reason that is recorded.

It opens this one person's pages, says so on each of them, and ends when another page is opened, after a
quarter of an hour, or with the sign-in. The form stands at every person's address, on file or not, so that it
tells nobody who is.
"""

import re
from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from service.errors import Issue, IssueType, NotFound, Place, RuleViolation
from service.page.act_view import Act, ActView
from service.page.cookies import EMERGENCY, keep
from service.page.desk import REASON
from service.page.guard import Guard
from service.page.posted import posted
from service.page.rendering import html
from service.security.audit import note_emergency
from service.security.emergency import LASTS_S, Emergency, holder
from service.security.principal import Principal
from service.security.scopes import BREAK_GLASS, require

__all__ = ["emergency_routes"]

_LONGEST_FORM = 16_384
_LONGEST_REASON = 500
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def emergency_routes(guard: Guard, now: Callable[[], float]) -> list[Route]:
    """The form and what it posts to; ``now`` answers seconds since 1970."""
    glass = _Glass(guard, now)
    return [
        Route("/app/patients/{id}/emergency", guard.around(answer), methods=[method], include_in_schema=False)
        for method, answer in (("GET", glass.form), ("POST", glass.breaks))
    ]


class _Glass:
    def __init__(self, guard: Guard, now: Callable[[], float]) -> None:
        self._guard, self._now = guard, now

    async def form(self, request: Request) -> Response:
        """GET: what it does, and the form."""
        return self._page(request, await self._caller(request), _view(request))

    async def breaks(self, request: Request) -> Response:
        """POST: open the record, or ask for the reason again."""
        caller = await self._caller(request)
        sent = await posted(request, longest=_LONGEST_FORM)
        self._guard.own_form(request, sent.get("form", ""))
        reason = " ".join(sent.get("reason", "").split())
        if not reason or len(reason) > _LONGEST_REASON:
            again = _view(request).refused(_no_reason(), sent)
            return self._page(request, caller, again, status=422)
        return await self._broken(request, reason)

    async def _caller(self, request: Request) -> Principal:
        caller = await self._guard.caller(request)
        require(caller.scopes, (BREAK_GLASS,))
        if not _ID.fullmatch(request.path_params["id"]):
            raise NotFound("There is no page at this address.")
        return caller

    async def _broken(self, request: Request, reason: str) -> Response:
        note_emergency(request.scope, reason)
        patient, until = request.path_params["id"], self._now() + LASTS_S
        emergency = Emergency(patient, holder(self._guard.token(request)), reason, until)
        sealed = await self._guard.sealing.seal(EMERGENCY, emergency, LASTS_S)
        response = RedirectResponse(f"/app/patients/{patient}", status_code=303)
        keep(response, EMERGENCY, sealed, secure=self._guard.secure(request), seconds=LASTS_S)
        return response

    def _page(self, request: Request, caller: Principal, view: ActView, *, status: int = 200) -> Response:
        return html(
            "act.html",
            status=status,
            caller=caller.called,
            view=view,
            form=self._guard.form_token(request),
            to=request.url.path,
            patient=request.path_params["id"],
            decided="",
        )


def _view(request: Request) -> ActView:
    address = f"/app/patients/{request.path_params['id']}"
    facts = (
        ("Opens", "all of this person's record, whoever cares for them and whatever they withhold"),
        ("Lasts", f"{LASTS_S // 60} minutes, or until you open another page"),
        ("Recorded", "who opened it, when, why, and everything that was looked at"),
    )
    act = Act(
        "break",
        "Open the record in an emergency",
        "Break the glass",
        (REASON,),
        {},
        "Only where care can't wait.",
    )
    return ActView("Emergency access", ("/app", "All patients"), address, facts, (act,))


def _no_reason() -> RuleViolation:
    text = f"Give the reason in words, {_LONGEST_REASON} letters at most."
    return RuleViolation(Issue(text, code=IssueType.REQUIRED, place=Place(expression="reason")))

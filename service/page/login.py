"""Signing in where the hospital does, and opening a person from within its record.

A sign-in begins with a redirect and ends with a page in between, which leads on by itself: the session's
cookie is not sent to what another site leads to, and this page is ours. Where it leads is never part of an
address. Nothing of a sign-in's address is recorded, as the code in it is somebody's for a moment.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from service.errors import Forbidden, NotFound, ServiceError, Unauthenticated
from service.page.cookies import LOGIN, SESSION, drop, keep, kept
from service.page.guard import Guard
from service.page.hospital_record import HospitalRecord
from service.page.wanted import forget
from service.security.access import Access
from service.security.audit import note_caller, note_login
from service.security.code_flow import Begun, CodeFlow, Proven
from service.security.principal import Principal
from service.security.roles import roles
from service.security.scopes import Scopes
from service.security.sessions import Person, Sessions
from service.store.entries import Entries, Entry

__all__ = ["login_routes"]

_LASTS_S = 600
"""How long a sign-in may take."""
_LONGEST_NAME = 200


def login_routes(
    access: Access,
    guard: Guard,
    record: HospitalRecord,
    entries: Callable[[Request], Entries],
    now: Callable[[], float],
) -> list[Route]:
    """The routes of signing in elsewhere; ``now`` answers seconds since 1970."""
    login = _Login(access.flows, access.sessions, guard, record, entries, now)
    table = (
        ("/app/launch", login.launch),
        ("/app/login/{provider}", login.begin),
        ("/app/login/{provider}/callback", login.finish),
    )
    return [
        Route(path, guard.around(answer, audited=False), methods=["GET"], include_in_schema=False)
        for path, answer in table
    ]


@dataclass(frozen=True, slots=True)
class _Login:
    flows: Mapping[str, CodeFlow]
    sessions: Sessions
    guard: Guard
    record: HospitalRecord
    entries: Callable[[Request], Entries]
    now: Callable[[], float]

    async def begin(self, request: Request) -> Response:
        """GET /app/login/{provider}: a button was pressed."""
        return await self._sent_on(request, self._flow(request))

    async def launch(self, request: Request) -> Response:
        """GET /app/launch: a record opens the page (SMART App Launch 2.2, app-launch.html)."""
        base = request.query_params.get("iss", "").rstrip("/")
        launch = request.query_params.get("launch", "")
        flow = next((one for one in self.flows.values() if one.provider.fhir.rstrip("/") == base), None)
        if flow is None or not base or not launch:
            note_login(request.scope)
            raise Forbidden("This record is not one that this service is opened from.")
        return await self._sent_on(request, flow, launch)

    async def finish(self, request: Request) -> Response:
        """GET /app/login/{provider}/callback: the browser comes back with an answer."""
        note_login(request.scope)
        flow = self._flow(request)
        begun = await self._begun(request, flow)
        proven = await flow.finish(begun, request.query_params)
        person = await self._person(request, flow, proven)
        ends = min(proven.expires, self.now() + flow.provider.session_minutes * 60)
        token = await self.sessions.token(person, ends)
        principal = await self.guard.admitted(token, request)
        secure = self.guard.secure(request)
        to = await self.guard.landing(request, principal)
        response = await self.record.shown(request, flow.provider, proven, principal, to)
        response.headers["Referrer-Policy"] = "no-referrer"  # the address holds the code
        keep(response, SESSION, token, secure=secure)
        drop(response, LOGIN, secure=secure)
        forget(request, response, secure=secure)
        return response

    def _flow(self, request: Request) -> CodeFlow:
        flow = self.flows.get(request.path_params["provider"])
        if flow is None:
            note_login(request.scope)
            raise NotFound("Nobody signs in there.")
        return flow

    async def _sent_on(self, request: Request, flow: CodeFlow, launch: str = "") -> Response:
        try:
            address, begun = await flow.begin(launch)
        except ServiceError:
            note_login(request.scope)
            raise
        response = RedirectResponse(address, status_code=303)
        sealed = await self.guard.sealing.seal(LOGIN, begun, _LASTS_S)
        keep(response, LOGIN, sealed, secure=self.guard.secure(request), seconds=_LASTS_S)
        return response

    async def _begun(self, request: Request, flow: CodeFlow) -> Begun:
        """What this browser began at this provider; it is good for one answer, whichever process gets it."""
        sealed = kept(request, LOGIN, secure=self.guard.secure(request))
        begun = await self.guard.sealing.open(LOGIN, Begun, sealed)
        if begun is None or begun.provider != flow.provider.id:
            raise Unauthenticated("This sign-in was not begun in this browser, or too long ago. Begin again.")
        if begun.state != request.query_params.get("state"):
            raise Unauthenticated("This is the answer to another sign-in. Begin again.")
        entries, expires = self.entries(request), int(self.now()) + _LASTS_S
        await entries.forget(int(self.now()) - _LASTS_S)
        if not await entries.enter(Entry("login", begun.state, expires), once=True):
            raise Unauthenticated("This sign-in was answered before. Begin again.")
        return begun

    async def _person(self, request: Request, flow: CodeFlow, proven: Proven) -> Person:
        """Who signed in, with the role they have here; Forbidden for who has none."""
        provider, claims = flow.provider, proven.claims
        subject, issuer = str(claims["sub"]), self.sessions.issuer(flow.provider.id).name
        known = Principal(subject, issuer, Scopes(), fhir_user="", expires=0)
        note_caller(request.scope, known, self.guard.fhir_base)
        role = roles().get(provider.role(claims))
        if role is None:
            raise Forbidden(f"'{provider.name}' signed you in, but gives you no role in this service.")
        names = (claims.get(name) for name in ("name", "preferred_username"))
        name = next((one for one in names if isinstance(one, str) and one), "")
        fhir_user = await self.record.practitioner(request, provider, proven, role.scopes)
        return Person(provider.id, subject, name[:_LONGEST_NAME], role.scopes, fhir_user)

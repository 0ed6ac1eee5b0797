"""Signing in by pasting an access token into a form, and signing out; the token lives in a cookie, no URL."""

from collections.abc import Mapping
from contextlib import suppress

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.errors import InvalidInput, ServiceError
from service.page.cookies import EMERGENCY, SESSION, drop, keep
from service.page.guard import Guard
from service.page.posted import posted
from service.page.rendering import html
from service.page.wanted import forget
from service.security.audit import note_caller, note_login
from service.security.code_flow import CodeFlow
from service.security.sessions import Sessions

__all__ = ["SignIn"]

LONGEST_FORM = 16_384
LONGEST_COOKIE = 3_800
_LOGOUT = "110123"
"""DICOM's code."""


class SignIn:
    """The sign-in form, what it posts to, and signing out."""

    def __init__(self, guard: Guard, sessions: Sessions, flows: Mapping[str, CodeFlow]) -> None:
        """``guard`` knows whose token is believed, ``sessions`` end here, ``flows`` are the providers'."""
        self._guard, self._sessions, self._flows = guard, sessions, flows

    async def form(self, _request: Request) -> Response:
        """GET /app/sign-in."""
        return html("sign_in.html", problem="")

    async def enter(self, request: Request) -> Response:
        """POST /app/sign-in: verify the pasted token, keep it in a cookie this site's script can't read."""
        note_login(request.scope)
        self._guard.same_origin(request)
        token = await _posted_token(request)
        principal = await self._guard.admitted(token, request)
        secure = self._guard.secure(request)
        response = RedirectResponse(await self._guard.landing(request, principal), status_code=303)
        keep(response, SESSION, token, secure=secure)
        forget(request, response, secure=secure)
        return response

    async def leave(self, request: Request) -> Response:
        """POST /app/sign-out: forget the token, end its session here and then at its provider."""
        note_login(request.scope, _LOGOUT)
        self._guard.same_origin(request)
        flow = self._flows.get(await self._ended(request))
        farewell = await flow.farewell() if flow else ""
        if flow and farewell:
            response: Response = html(
                "passage.html", title="Signed out", to=farewell, where=flow.provider.name
            )
        else:
            response = RedirectResponse("/app/sign-in", status_code=303)
        secure = self._guard.secure(request)
        for what in (SESSION, EMERGENCY):
            drop(response, what, secure=secure)
        forget(request, response, secure=secure)
        return response

    async def _ended(self, request: Request) -> str:
        """End the session of a request that has one; answers its provider."""
        token = self._guard.token(request)
        with suppress(ServiceError):  # whoever has none is signed out already
            principal = await self._guard.verifier.verify(token)
            note_caller(request.scope, principal, self._guard.fhir_base)
            provider = await self._sessions.end(token)
            self._guard.verifier.forget(token)
            return provider
        return ""


async def _posted_token(request: Request) -> str:
    fields = await posted(request, longest=LONGEST_FORM)
    token = "".join(fields.get("token", "").split())
    if not token:
        raise InvalidInput("Paste an access token into the field.")
    if len(token) > LONGEST_COOKIE:
        raise InvalidInput(
            "This token is too long for a browser's cookie; send it as a Bearer header instead."
        )
    return token

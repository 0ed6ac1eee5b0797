"""Signing in by pasting an access token into a form; the token then lives in a cookie, never in a URL."""

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.errors import InvalidInput
from service.page.guard import COOKIE, Guard
from service.page.posted import posted
from service.page.rendering import html
from service.security.audit import note_login

__all__ = ["SignIn"]

LONGEST_FORM = 16_384
LONGEST_COOKIE = 3_800
_LOGOUT = "110123"
"""DICOM's code."""


class SignIn:
    """The sign-in form, what it posts to, and signing out."""

    def __init__(self, guard: Guard) -> None:
        """Use ``guard`` to check where a form came from and whether its token is believed."""
        self._guard = guard

    async def form(self, _request: Request) -> Response:
        """GET /app/sign-in."""
        return html("sign_in.html", problem="")

    async def enter(self, request: Request) -> Response:
        """POST /app/sign-in: verify the pasted token, keep it in a cookie this site's script can't read."""
        note_login(request.scope)
        self._guard.same_origin(request)
        token = await _posted_token(request)
        await self._guard.admitted(token, request)
        response = RedirectResponse("/app", status_code=303)
        response.set_cookie(
            COOKIE, token, path="/app", httponly=True, samesite="strict", secure=self._guard.secure(request)
        )
        return response

    async def leave(self, request: Request) -> Response:
        """POST /app/sign-out: forget the token."""
        note_login(request.scope, _LOGOUT)
        self._guard.same_origin(request)
        response = RedirectResponse("/app/sign-in", status_code=303)
        response.delete_cookie(
            COOKIE, path="/app", httponly=True, samesite="strict", secure=self._guard.secure(request)
        )
        return response


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

"""The page's cookies: kept from script and other sites and, over https, from other hosts of this site.

The prefix ``__Host-`` (RFC 6265bis, section 4.1.3.2) has browsers take them from this host alone, by https.
A session is never sent along from another site (SameSite=Strict); a sign-in that comes back from its
provider comes from one (Lax), and so does what tells where it leads.
"""

from starlette.requests import Request
from starlette.responses import Response

__all__ = ["EMERGENCY", "LOGIN", "SESSION", "WANTED", "drop", "keep", "kept", "names"]

SESSION, LOGIN, EMERGENCY, WANTED = "session", "login", "emergency", "wanted"


def names(what: str) -> tuple[str, str]:
    """The names of a cookie over https, and over http on this machine."""
    return f"__Host-{what}", what


def kept(request: Request, what: str, *, secure: bool) -> str:
    """Answer what the browser keeps under a name, empty for nothing."""
    return request.cookies.get(_name(what, secure=secure), "")


def keep(response: Response, what: str, text: str, *, secure: bool, seconds: int | None = None) -> None:
    """Have the browser keep a text, for so many seconds or until it is closed."""
    response.set_cookie(
        _name(what, secure=secure),
        text,
        max_age=seconds,
        path=_path(secure=secure),
        secure=secure,
        httponly=True,
        samesite="lax" if what in {LOGIN, WANTED} else "strict",
    )


def drop(response: Response, what: str, *, secure: bool) -> None:
    """Have the browser forget."""
    keep(response, what, "", secure=secure, seconds=0)


def _name(what: str, *, secure: bool) -> str:
    return names(what)[0 if secure else 1]


def _path(*, secure: bool) -> str:
    return "/" if secure else "/app"

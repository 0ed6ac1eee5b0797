"""The page somebody asked for before they had signed in, where their sign-in then leads.

It is kept by their browser, sealed, for as long as a sign-in may take, and is never part of an address: what
leads somewhere is what this service was asked for itself, a page of its own.
"""

import re

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from service.page.cookies import WANTED, drop, keep, kept
from service.security.sealing import Sealing

__all__ = ["FIRST", "forget", "own_page", "remember", "wanted"]

FIRST = "/app"
"""Where a sign-in leads that nothing else was asked before."""
_LASTS_S = 600
_LONGEST = 1_000
_PAGE = re.compile(r"/app(/[A-Za-z0-9._~%!$&'()*+,;=:@-]+)*/?(\?[A-Za-z0-9._~%!$&'()*+,;=:@/?-]*)?")
"""Characters of a path and query (RFC 3986, section 3.3)."""
_DOTS = re.compile(r"/(\.|%2e){1,2}(/|$)", re.IGNORECASE)
_ELSEWHERE = re.compile(r"%(2f|5c|0[0-9a-f]|1[0-9a-f]|7f)", re.IGNORECASE)
"""What some read as the end of a line or as another step: slashes and control characters, escaped."""


class _Wanted(msgspec.Struct, frozen=True):
    address: str


def own_page(address: str) -> str:
    """The address if it is the path of a page of ours, with its query; else that of the first page."""
    path = address.partition("?")[0]
    bent = len(address) > _LONGEST or _DOTS.search(path) or _ELSEWHERE.search(address)
    return FIRST if bent or not _PAGE.fullmatch(address) else address


async def remember(request: Request, response: Response, sealing: Sealing, *, secure: bool) -> None:
    """Have the browser keep which page was asked for."""
    path = request.scope.get("raw_path") or b""
    query = request.scope.get("query_string") or b""
    address = own_page((path.partition(b"?")[0] + (b"?" + query if query else b"")).decode("latin-1"))
    sealed = await sealing.seal(WANTED, _Wanted(address), _LASTS_S)
    keep(response, WANTED, sealed, secure=secure, seconds=_LASTS_S)


def forget(request: Request, response: Response, *, secure: bool) -> None:
    """Have the browser forget it, if it keeps one."""
    if kept(request, WANTED, secure=secure):
        drop(response, WANTED, secure=secure)


async def wanted(request: Request, sealing: Sealing, *, secure: bool) -> str:
    """Where to go on to now that somebody signed in."""
    found = await sealing.open(WANTED, _Wanted, kept(request, WANTED, secure=secure))
    return own_page(found.address) if found else FIRST

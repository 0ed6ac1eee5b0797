"""``/.well-known/security.txt``: whom to tell of a weakness (RFC 9116)."""

from datetime import timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from service.errors import NotFound
from service.rest.call import services_of
from service.rest.described import answers

__all__ = ["SECURITY_TXT_DOCS", "security_txt"]

_GOOD_FOR = timedelta(days=180)
"""Less than a year, as section 2.5.5 recommends; it is made anew for who asks."""
SECURITY_TXT_DOCS: dict[str, Any] = {
    "tags": ["Operating"],
    "responses": answers({200: "Contact and Expires (RFC 9116)."}, "text/plain"),
}


async def security_txt(request: Request) -> Response:
    """The contact of the settings, and until when it may be relied on."""
    services = services_of(request)
    contacts = services.settings.security_contact.split()
    if not contacts:
        raise NotFound("This site names nobody here to tell of a weakness.")
    expires = (services.now() + _GOOD_FOR).replace(microsecond=0)
    lines = [*(f"Contact: {one}" for one in contacts), f"Expires: {expires.isoformat()}"]
    return PlainTextResponse("".join(f"{line}\n" for line in lines))

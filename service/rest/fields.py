"""Header fields, parameters and origin of a request; read once: most of a short one is asking for fields."""

from starlette.requests import HTTPConnection
from starlette.types import Scope

__all__ = ["field", "network_address", "parameter", "sent_field"]


def field(request: HTTPConnection, name: str) -> str:
    """Answer one header field by its name in lower case, empty if it was not sent.

    One that was sent several times is one list, joined by commas (RFC 9110 section 5.3).
    """
    return sent_field(request.scope, name)


def sent_field(scope: Scope, name: str) -> str:
    """As ``field``, for who has no more than the scope."""
    found: dict[str, str] | None = scope.get("service.fields")
    if found is None:
        found = scope["service.fields"] = _joined(scope["headers"])
    return found.get(name, "")


def _joined(sent: list[tuple[bytes, bytes]]) -> dict[str, str]:
    found: dict[str, str] = {}
    for one, given in sent:
        name, value = one.decode("latin-1"), given.decode("latin-1")
        found[name] = f"{found[name]}, {value}" if name in found else value
    return found


def network_address(scope: Scope, *, trust_forwarded: bool) -> str:
    """Where the request came from: as the proxy saw it, if what it says is trusted."""
    if trust_forwarded and (said := sent_field(scope, "x-forwarded-for")):
        return said.rpartition(",")[2].strip()[:64]
    return scope["client"][0] if scope.get("client") else ""


def parameter(request: HTTPConnection, name: str) -> str:
    """Answer the last value of a parameter of the address, empty if there is none."""
    return request.query_params.get(name, "") if request.scope["query_string"] else ""

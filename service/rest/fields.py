"""Header fields and parameters of a request, read once: most of a short request is asking for them."""

from starlette.requests import HTTPConnection
from starlette.types import Scope

__all__ = ["field", "fields", "parameter"]


def fields(scope: Scope) -> dict[str, str]:
    """Answer the header fields by their names in lower case.

    One that was sent several times is one list, joined by commas (RFC 9110 section 5.3).
    """
    found: dict[str, str] | None = scope.get("service.fields")
    if found is None:
        found = {}
        for raw_name, raw_value in scope["headers"]:
            name, value = raw_name.decode("latin-1"), raw_value.decode("latin-1")
            found[name] = f"{found[name]}, {value}" if name in found else value
        scope["service.fields"] = found
    return found


def field(request: HTTPConnection, name: str) -> str:
    """Answer one header field by its name in lower case, empty if it was not sent."""
    return fields(request.scope).get(name, "")


def parameter(request: HTTPConnection, name: str) -> str:
    """Answer the last value of a parameter of the address, empty if there is none."""
    return request.query_params.get(name, "") if request.scope["query_string"] else ""

"""Every exception that reaches the edge, and the answer it becomes: one table, one shape.

    ServiceError             its own status     the issues it carries
    HTTPException 404        404 not-found      no such path
    HTTPException 405        405 not-supported  Allow names the methods there are
    HTTPException, other     its own status     one sentence
    RequestValidationError   400 invalid        a query parameter can't be read
    ClientDisconnect         400 invalid        the caller left before its body had ended; nobody reads it
    anything else            500 exception      one sentence, never the exception's own words

401 and 403 carry WWW-Authenticate (RFC 6750 section 3), 429 and 503 carry Retry-After.
"""

from contextlib import suppress
from http import HTTPStatus
from math import ceil

from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, HTTPConnection
from starlette.responses import Response

from service.errors import (
    Forbidden,
    InvalidInput,
    Issue,
    IssuerUnreachable,
    IssueType,
    MethodNotAllowed,
    NotAcceptable,
    NotFound,
    Place,
    ServiceError,
    StoreUnavailable,
    TooBusy,
    TookTooLong,
    TooLarge,
    TooManyRequests,
    TooSlow,
    Unauthenticated,
)
from service.fhir import xml_writer
from service.fhir.json import Tree, dump
from service.fhir.outcome import operation_outcome
from service.rest.fields import field
from service.rest.negotiation import FHIR_JSON, FHIR_XML, prefers_xml

__all__ = ["HANDLED", "error_answer"]

HANDLED = (ServiceError, HTTPException, RequestValidationError, ClientDisconnect)
BROKEN = "Something went wrong inside the service. The header X-Request-Id names this request in its log."
_REALM = 'Bearer realm="swallow-interop"'


def error_answer(error: Exception, request: HTTPConnection | None = None) -> Response:
    """Answer the response for an exception, in the format ``request`` prefers (JSON without one)."""
    token_sent = request is not None and bool(field(request, "authorization"))
    headers = dict(error.headers or {}) if isinstance(error, HTTPException) else {}
    status, problem = _problem(error)
    body, media_type = _written(operation_outcome(problem.issues), request)
    return Response(
        body,
        status_code=status,
        headers=headers | _advice(problem, token_sent=token_sent),
        media_type=media_type,
    )


def _written(outcome: Tree, request: HTTPConnection | None) -> tuple[bytes, str]:
    """The outcome and its media type; a sentence that quotes what XML can't carry is told in JSON."""
    if request is not None and prefers_xml(request):
        with suppress(NotAcceptable):
            return xml_writer.dump(outcome), FHIR_XML
    return dump(outcome), FHIR_JSON


def _problem(error: Exception) -> tuple[int, ServiceError]:
    if isinstance(error, ServiceError) and error.status != 500:
        return error.status, error
    if isinstance(error, HTTPException):
        return error.status_code, _known_status(error)
    if isinstance(error, RequestValidationError):
        return 400, InvalidInput([_unreadable(fault["loc"], fault["msg"]) for fault in error.errors()])
    if isinstance(error, ClientDisconnect):
        return 400, InvalidInput("The body ended before its announced length.")
    return 500, ServiceError(BROKEN)


def _known_status(error: HTTPException) -> ServiceError:
    match status := error.status_code:
        case 404:
            return NotFound("There is nothing at this address; /fhir/metadata tells what there is.")
        case 405:
            offered = (error.headers or {}).get("Allow", "")
            told = f"; there are: {offered}" if offered else ""
            return MethodNotAllowed(f"This method is not offered at this address{told}.")
        case _:
            return ServiceError(Issue(f"{HTTPStatus(status).phrase}.", code=IssueType.PROCESSING))


def _unreadable(location: tuple[str | int, ...], message: str) -> Issue:
    """A parameter's name and the rule it breaks; its value is not repeated."""
    name = str(location[-1])
    return Issue(f"The parameter '{name}' can't be read: {message}.", place=Place(field=name))


def _advice(problem: ServiceError, *, token_sent: bool) -> dict[str, str]:
    match problem:
        case Unauthenticated():
            return {"WWW-Authenticate": f'{_REALM}, error="invalid_token"' if token_sent else _REALM}
        case Forbidden():
            return {"WWW-Authenticate": f'{_REALM}, error="insufficient_scope"'}
        case TooLarge() | TooSlow():
            return {"Connection": "close"}  # the caller may still be sending
        case TooManyRequests():
            return {"Retry-After": str(ceil(problem.wait_s))}
        case StoreUnavailable() | IssuerUnreachable() | TooBusy() | TookTooLong():
            return {"Retry-After": "1"}
        case _:
            return {}

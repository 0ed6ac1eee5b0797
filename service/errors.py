"""Every error this service raises, as one tree.

ServiceError                    500  exception      something here is broken
├── InvalidInput                400  invalid        the text can't be read as what it claims to be
├── RuleViolation               422  business-rule  readable, but breaks rules; carries every problem found
├── TooManyCodes                422  too-costly     a value set too large to be written out
├── NotKnownHere                422  not-found      needs a code system or value set that is not here
├── TokenNotGranted             400  login          answered as RFC 6749 says, not as an outcome
├── Unauthenticated             401  login          no token, or one that can't be believed
├── Forbidden                   403  forbidden      a known caller without the right
├── TooCostly                   403  too-costly     what was asked would take too long to answer
├── NotFound                    404  not-found
├── MethodNotAllowed            405  not-supported
├── NotAcceptable               406  not-supported  no representation the caller accepts
├── Conflict                    409  conflict       the request contradicts what is stored
├── Gone                        410  deleted
├── PreconditionFailed          412  conflict       If-Match or a conditional criterion did not hold
├── TooSlow                     408  timeout        the body did not come in time
├── TooLarge                    413  too-long
├── AddressTooLong              414  too-long
├── UnsupportedMediaType        415  not-supported
├── TooManyRequests             429  throttled      one caller asks too often
├── TooBusy                     503  throttled      all callers together ask for too much
├── TookTooLong                 503  timeout        given up before it was answered
├── StoreUnavailable            503  transient      try again
│   └── StoreUnreachable        503  transient      its server does not answer
├── IssuerUnreachable           503  transient      who issues the caller's tokens does not answer
├── AddressRefused              502  forbidden      this service may not connect to that address
└── DeliveryFailed              502  transient      a remote end refused or did not answer
    └── DeliveryRefused         502  processing     it will refuse the same again

Each carries one or more Issue: what is wrong, where, and what to do. ``rest/`` turns them into an
OperationOutcome in one table; nothing else builds error answers.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

__all__ = [
    "AddressRefused",
    "AddressTooLong",
    "Conflict",
    "DeliveryFailed",
    "DeliveryRefused",
    "Forbidden",
    "Gone",
    "InvalidInput",
    "Issue",
    "IssueType",
    "IssuerUnreachable",
    "MethodNotAllowed",
    "NotAcceptable",
    "NotFound",
    "NotKnownHere",
    "Place",
    "PreconditionFailed",
    "RuleViolation",
    "ServiceError",
    "Severity",
    "StoreUnavailable",
    "StoreUnreachable",
    "TokenNotGranted",
    "TooBusy",
    "TooCostly",
    "TooLarge",
    "TooManyCodes",
    "TooManyRequests",
    "TooSlow",
    "TookTooLong",
    "Unauthenticated",
    "UnsupportedMediaType",
]


class Severity(StrEnum):
    """http://hl7.org/fhir/issue-severity."""

    FATAL = "fatal"
    ERROR = "error"
    WARNING = "warning"
    INFORMATION = "information"


class IssueType(StrEnum):
    """The codes of http://hl7.org/fhir/issue-type that this service uses."""

    INVALID = "invalid"
    STRUCTURE = "structure"
    REQUIRED = "required"
    VALUE = "value"
    INVARIANT = "invariant"
    CODE_INVALID = "code-invalid"
    LOGIN = "login"
    FORBIDDEN = "forbidden"
    PROCESSING = "processing"
    NOT_SUPPORTED = "not-supported"
    DUPLICATE = "duplicate"
    MULTIPLE_MATCHES = "multiple-matches"
    NOT_FOUND = "not-found"
    DELETED = "deleted"
    TOO_LONG = "too-long"
    TOO_COSTLY = "too-costly"
    BUSINESS_RULE = "business-rule"
    CONFLICT = "conflict"
    TRANSIENT = "transient"
    THROTTLED = "throttled"
    TIMEOUT = "timeout"
    EXCEPTION = "exception"
    INFORMATIONAL = "informational"


@dataclass(frozen=True, slots=True)
class Place:
    """Where in an input a problem stands.

    ``expression`` is FHIRPath (``Bundle.entry[3].resource.status``) or, for a visit record, the same
    notation below ``VisitRecord``. ``pointer`` is a JSON pointer (RFC 6901). ``line`` and ``column`` count
    from 1. ``path`` is the way to it in the text of a resource, where that is longer than the expression or
    has other names (``Observation.valueQuantity.vaule``). For a sheet, ``source`` names it, ``row`` is the
    line as a spreadsheet shows it (header = 1) and ``field`` the column's heading.
    """

    expression: str = ""
    pointer: str = ""
    line: int | None = None
    column: int | None = None
    source: str = ""
    row: int | None = None
    field: str = ""
    path: str = ""

    def __str__(self) -> str:
        """The place as a person reads it: ``trials.csv row 4 column effort``, ``/visit/type (line 12)``."""
        if self.row is not None:
            where = f"{self.source or 'sheet'} row {self.row}"
            return f"{where} column {self.field}" if self.field else where
        where = self.pointer or self.path or self.expression
        return f"{where} (line {self.line})".strip() if self.line is not None else where


@dataclass(frozen=True, slots=True)
class Issue:
    """One problem: a sentence a person can act on, its place, and the rule's id where there is one."""

    message: str
    severity: Severity = Severity.ERROR
    code: IssueType = IssueType.INVALID
    place: Place = Place()
    rule: str = ""


class ServiceError(Exception):
    """Something in the service is broken; the caller did nothing wrong."""

    status: ClassVar[int] = 500
    code: ClassVar[IssueType] = IssueType.EXCEPTION

    def __init__(self, problem: str | Issue | Iterable[Issue], *, expression: str = "") -> None:
        """Take one sentence, one issue, or every issue found (stable order, no duplicates)."""
        if isinstance(problem, str):
            problem = Issue(problem, code=self.code, place=Place(expression=expression))
        issues = (problem,) if isinstance(problem, Issue) else tuple(problem)
        self.issues: tuple[Issue, ...] = tuple(dict.fromkeys(issues))
        super().__init__("; ".join(issue.message for issue in self.issues))


class InvalidInput(ServiceError):
    """The text can't be read as what it claims to be."""

    status = 400
    code = IssueType.INVALID


class RuleViolation(ServiceError):
    """The input can be read but breaks rules; every problem found is carried."""

    status = 422
    code = IssueType.BUSINESS_RULE


class TooManyCodes(ServiceError):
    """A value set is too large to be written out, or too costly to be worked out."""

    status = 422
    code = IssueType.TOO_COSTLY


class NotKnownHere(ServiceError):
    """The answer needs the content of a code system or value set that is not here."""

    status = 422
    code = IssueType.NOT_FOUND


class TokenNotGranted(ServiceError):
    """A request for an access token is refused; ``error`` is RFC 6749's word for why (section 5.2)."""

    status = 400
    code = IssueType.LOGIN

    def __init__(self, problem: str | Issue | Iterable[Issue], error: str = "invalid_request") -> None:
        """Take a sentence that a person can act on, and the word."""
        super().__init__(problem)
        self.error = error


class Unauthenticated(ServiceError):
    """No access token, or one that can't be believed."""

    status = 401
    code = IssueType.LOGIN


class Forbidden(ServiceError):
    """A known caller asked for what its token does not allow."""

    status = 403
    code = IssueType.FORBIDDEN


class TooCostly(ServiceError):
    """What was asked would take too long to answer."""

    status = 403
    code = IssueType.TOO_COSTLY


class NotFound(ServiceError):
    """Nothing is stored under that name, or the path is not one of ours."""

    status = 404
    code = IssueType.NOT_FOUND


class MethodNotAllowed(ServiceError):
    """The path exists, the method does not."""

    status = 405
    code = IssueType.NOT_SUPPORTED


class NotAcceptable(ServiceError):
    """None of the formats the caller accepts is offered."""

    status = 406
    code = IssueType.NOT_SUPPORTED


class Conflict(ServiceError):
    """The request contradicts what is stored."""

    status = 409
    code = IssueType.CONFLICT


class Gone(ServiceError):
    """The resource was deleted."""

    status = 410
    code = IssueType.DELETED


class PreconditionFailed(ServiceError):
    """If-Match or a conditional criterion did not hold."""

    status = 412
    code = IssueType.CONFLICT


class TooSlow(ServiceError):
    """The request's body did not come in time."""

    status = 408
    code = IssueType.TIMEOUT


class TooLarge(ServiceError):
    """The request is larger than the limit."""

    status = 413
    code = IssueType.TOO_LONG


class AddressTooLong(ServiceError):
    """The request's address is longer than the limit."""

    status = 414
    code = IssueType.TOO_LONG


class UnsupportedMediaType(ServiceError):
    """The body's content type is not one the service reads."""

    status = 415
    code = IssueType.NOT_SUPPORTED


class TooManyRequests(ServiceError):
    """One caller asks too often; ``wait_s`` is after how many seconds it may again."""

    status = 429
    code = IssueType.THROTTLED

    def __init__(self, problem: str | Issue, wait_s: float = 1.0) -> None:
        """Take the sentence and the wait."""
        super().__init__(problem)
        self.wait_s = wait_s


class TooBusy(ServiceError):
    """All callers together ask for more than the service takes on at once."""

    status = 503
    code = IssueType.THROTTLED


class TookTooLong(ServiceError):
    """A request was given up before it was answered."""

    status = 503
    code = IssueType.TIMEOUT


class AddressRefused(ServiceError):
    """This service may not connect to an address."""

    status = 502
    code = IssueType.FORBIDDEN


class DeliveryFailed(ServiceError):
    """A remote end did not take something now; the same may succeed later.

    ``wait_s`` is after how many seconds, where the remote end says so. ``alone``: it answered, and others may
    well fare better than what was sent; otherwise it is the remote end as a whole.
    """

    status = 502
    code = IssueType.TRANSIENT

    def __init__(
        self, problem: str | Issue | Iterable[Issue], wait_s: float = 0.0, *, alone: bool = False
    ) -> None:
        """Take the sentence, and the wait."""
        super().__init__(problem)
        self.wait_s = wait_s
        self.alone = alone


class DeliveryRefused(DeliveryFailed):
    """A remote end refused what was sent, and will again until somebody does something."""

    code = IssueType.PROCESSING


class StoreUnavailable(ServiceError):
    """The store can't serve right now; the same request may succeed later."""

    status = 503
    code = IssueType.TRANSIENT


class StoreUnreachable(StoreUnavailable):
    """The server of the store's database does not answer."""


class IssuerUnreachable(ServiceError):
    """Who issues the caller's tokens does not answer, so that one can't be judged now."""

    status = 503
    code = IssueType.TRANSIENT

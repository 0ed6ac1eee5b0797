"""One call of the service: who asks, what for, and what the handlers need to answer."""

import asyncio
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import field as made
from datetime import datetime
from typing import Literal, cast, get_args
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

import msgspec
from starlette.requests import HTTPConnection, Request

from service.errors import InvalidInput, MethodNotAllowed, TooLarge, Unauthenticated
from service.fhir import xml
from service.fhir.json import dump
from service.fhir.validation.profiles import Definitions
from service.interactions.aside import aside
from service.interactions.context import Action, Context, Subscribing, shipped_definitions
from service.interactions.elsewhere import Ask
from service.jobs.backlog import Backlog
from service.jobs.bulk_export import BulkExports
from service.jobs.cohorts import Cohorts
from service.jobs.outgoing import Outgoing
from service.jobs.runs import Runs
from service.jobs.subscription_job import Subscriber
from service.operations.cue_limits import cue_limits
from service.operations.own_resources import is_own
from service.rest.accesses import describe
from service.rest.fields import field, parameter, sent_field
from service.rest.metrics import Metrics
from service.rest.negotiation import answer_type, body_is_xml
from service.rest.readiness import Readiness
from service.security.asker import asker_of
from service.security.audit import facts_of, note_caller, note_emergency
from service.security.cds_clients import CdsClients
from service.security.confined_store import ConfinedStore
from service.security.development_issuer import is_loopback
from service.security.emergency import emergency_of
from service.security.noted_store import NotedStore
from service.security.principal import Principal
from service.security.remembered import Remembered
from service.security.scopes import BREAK_GLASS, Scopes, require
from service.security.token_service import TokenService
from service.security.tokens import TokenVerifier
from service.settings import Settings
from service.store.code_lists import CodeLists
from service.store.contract import Store
from service.store.entries import Opened

__all__ = [
    "ABOUT_THE_ANSWER",
    "AN_ENTRY",
    "READ_ONLY_TYPES",
    "WITHIN",
    "Call",
    "Services",
    "base_url",
    "bearer",
    "call_of",
    "caller",
    "current_call",
    "is_private",
    "open_call",
    "pairs_of",
    "read_body",
    "services_of",
]

READ_ONLY_TYPES = frozenset({"AuditEvent"})
"""What only the service itself writes."""
ABOUT_THE_ANSWER = frozenset({"_format", "_pretty"})
AN_ENTRY = "service.entry"
"""What the scope of a request holds that an entry of a Bundle stands for."""
WITHIN = "service.within"
"""What the scope of such a request holds the store under that the Bundle works in, confined already."""
_HEARD_OUT = 10
"""How many times the largest body is read from a caller before the connection is closed."""
_SCHEME = re.compile(r"https?")
_HOST = re.compile(r"[A-Za-z0-9.-]+(:\d+)?|\[[0-9A-Fa-f:.]+\](:\d+)?")
_PREFIX = re.compile(r"(/[A-Za-z0-9._~-]+)*/?")
_NOBODY = Principal(subject="", issuer="", scopes=Scopes(), fhir_user="", expires=0)
Return = Literal["minimal", "representation", "OperationOutcome"]


@dataclass(frozen=True, slots=True)
class Services:
    """What one running service is made of.

    ``now`` answers the present with a zone. ``definitions`` are the profiles known here, ``code_lists``
    those that the site has loaded; ``elsewhere`` asks its terminology server. ``smart_configuration`` is what
    an issuer outside can do, told before what we can. ``exporting`` is held while a research export runs,
    ``cohorts`` are those of its research tables. ``remembered`` is what was found of care and Consents a
    moment ago. ``runs`` are those of its jobs, ``backlog`` is what waits for them, ``bulk`` are the bulk
    exports. ``outgoing`` says where the service may connect to, ``opened`` is the database as jobs have it.
    ``cds_clients`` are those that a site trusts, ``cds_feedback`` counts what became of their cards.
    """

    settings: Settings
    store: Store
    tokens: TokenVerifier
    oauth: TokenService
    now: Callable[[], datetime]
    definitions: Definitions = made(default_factory=shipped_definitions)
    code_lists: CodeLists = made(default_factory=CodeLists)
    elsewhere: Ask | None = None
    smart_configuration: dict[str, object] = made(default_factory=dict)
    exporting: asyncio.Lock = made(default_factory=asyncio.Lock)
    cohorts: Cohorts = made(default_factory=Cohorts)
    remembered: Remembered = made(default_factory=Remembered)
    readiness: Readiness = made(default_factory=Readiness)
    metrics: Metrics = made(default_factory=Metrics)
    runs: Runs = made(default_factory=Runs)
    backlog: Backlog | None = None
    bulk: BulkExports | None = None
    outgoing: Outgoing = made(default_factory=Outgoing)
    opened: Opened | None = None
    cds_clients: CdsClients | None = None
    cds_feedback: Counter[str] = made(default_factory=Counter)


@dataclass(frozen=True, slots=True)
class Call:
    """A request by a known caller. ``media_type`` is the negotiated type of the answer."""

    request: Request
    services: Services
    principal: Principal
    media_type: str

    @property
    def store(self) -> Store:
        """What is stored, as far as this caller reaches."""
        within: Store | None = self.request.scope.get(WITHIN)
        return within or self._confined()

    @property
    def workplace(self) -> Store:
        """What is stored, for the service's own work for a plain scope; its answer shows nothing it reads."""
        return self._confined(work=True)

    @property
    def emergency(self) -> str:
        """The reason why the caller breaks the glass, empty if they do not; Forbidden if they may not."""
        held = emergency_of(self.request.scope)
        reason = held.reason if held else self.header("x-break-glass").strip()
        if reason:
            require(self.principal.scopes, (BREAK_GLASS,))
            note_emergency(self.request.scope, reason)
        return reason

    def _confined(self, *, work: bool = False) -> Store:
        services = self.services
        care, broken = services.settings.clinician_reach, bool(self.emergency)
        base = _base_of(self.principal, services.settings)
        held = emergency_of(self.request.scope)
        only = held.patient if held else ""
        reach = services.remembered.reach(self.principal, base, care, broken=broken, only=only)
        store = ConfinedStore(services.store, reach.for_work() if work else reach, self, services.remembered)
        facts = facts_of(self.request.scope)  # none for an entry of a Bundle: its Bundle notes what it sees
        return NotedStore(store, facts) if facts else store

    @property
    def bulk(self) -> BulkExports:
        """The bulk exports."""
        return cast("BulkExports", self.services.bulk)

    @property
    def opened(self) -> Opened:
        """The database as jobs have it: what they keep in tables of their own."""
        return cast("Opened", self.services.opened)

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return self.services.settings.zone

    @property
    def now(self) -> Callable[[], datetime]:
        """Who answers the present moment."""
        return self.services.now

    @property
    def base(self) -> str:
        """The FHIR base URL as the outside sees it, without a slash at the end."""
        return base_url(self.request, self.services.settings)

    @property
    def pretty(self) -> bool:
        """Whether the answer is to be indented."""
        return parameter(self.request, "_pretty") == "true"

    @property
    def as_sent(self) -> bool:
        """Whether the body is the text the caller sent, so that its lines can be named."""
        return AN_ENTRY not in self.request.scope

    def path(self, name: str) -> str:
        """Answer a variable part of the path."""
        return str(self.request.path_params[name])

    def header(self, name: str) -> str:
        """Answer a header of the request by its name in lower case, empty if absent."""
        return sent_field(self.request.scope, name)

    def prefer(self, name: str) -> str:
        """Answer one preference of the Prefer headers (RFC 7240), empty if absent."""
        if not (sent := self.header("prefer")):
            return ""
        parts = sent.replace(";", ",").split(",")
        pairs = (part.partition("=") for part in parts)
        return next((value.strip().strip('"') for key, _, value in pairs if key.strip().lower() == name), "")

    @property
    def wanted(self) -> Return:
        """What ``Prefer: return=`` asks for; the representation if nothing or nonsense was asked."""
        preference = self.prefer("return")
        return cast("Return", preference) if preference in get_args(Return) else "representation"

    @property
    def criteria(self) -> list[tuple[str, str]]:
        """The parameters of the address, without those that only shape the answer."""
        try:
            pairs = pairs_of(self.request.scope["query_string"])
        except ValueError:
            raise InvalidInput("The address can't be read as UTF-8 parameters.") from None
        return [(name, value) for name, value in pairs if name not in ABOUT_THE_ANSWER]

    @property
    def context(self) -> Context:
        """What the interactions need to know of this call."""
        settings = self.services.settings
        return Context(
            base=self.base,
            allow=self.allow,
            zone=settings.zone,
            cue_limits=cue_limits(settings),
            lenient=self.prefer("handling").lower() == "lenient",
            max_depth=settings.max_depth,
            max_bundle_entries=settings.max_bundle_entries,
            page_size=settings.page_size,
            max_page_size=settings.max_page_size,
            enforce_references=settings.references == "enforce",
            warn_only=settings.validation == "warn",
            clock=self.services.now,
            definitions=self.services.definitions,
            licence=settings.snomed,
            code_lists=self.services.code_lists,
            elsewhere=self.services.elsewhere,
            reserved=is_own,
            subscribing=Subscribing(self._subscriber, self.services.outgoing.refusal),
        )

    def _subscriber(self) -> str:
        """Who a Subscription is for that this call writes, as it is kept."""
        asker = asker_of(self.principal, self.principal.scopes, self.base)
        return msgspec.json.encode(Subscriber(asker, self.base)).decode()

    def allow(self, action: Action, type_: str) -> None:
        """Raise Forbidden unless the caller may; MethodNotAllowed where nobody may."""
        if type_ in READ_ONLY_TYPES and action not in {"r", "s"}:
            raise MethodNotAllowed(f"{type_} can be read only; the service itself writes it.")
        if not self.principal.scopes.allow(action, type_):
            require(self.principal.scopes, [f"{type_}.{action}"])

    async def body(self) -> bytes:
        """Read the whole body, stopping as soon as it is larger than the limit."""
        return await read_body(self.request, self.services.settings.max_body_bytes)

    async def resource_body(self, *, optional: bool = False) -> bytes:
        """Read a body that is a resource, as JSON text: JSON as it was sent, XML translated.

        ``optional``: there may be none, and then no Content-Type either.
        """
        if optional and not (body := await self.body()):
            return body
        translate = body_is_xml(self.request)
        body = body if optional else await self.body()
        return await aside(_as_json, body, self.services.settings.max_depth) if translate else body


def pairs_of(text: bytes, most: int | None = None) -> list[tuple[str, str]]:
    """Answer the parameters of an address or form; ValueError if they are no text, or more than ``most``."""
    if b"%00" in text or b"\0" in text:  # which not every store can look for
        raise ValueError("no text holds the character NUL")
    return parse_qsl(text.decode("utf-8"), keep_blank_values=True, errors="strict", max_num_fields=most)


def _as_json(body: bytes, max_depth: int) -> bytes:
    return dump(xml.parse(body, max_depth=max_depth))


def services_of(request: HTTPConnection) -> Services:
    """Answer the running service the request reached."""
    return cast("Services", request.scope["app"].services)


async def caller(request: Request) -> Principal:
    """Answer who sent a request, by its Bearer token; Unauthenticated if that can't be told."""
    services = services_of(request)
    principal = await services.tokens.verify(bearer(request))
    note_caller(request.scope, principal, _base_of(principal, services.settings))
    describe(request.scope)
    return principal


def call_of(request: Request, principal: Principal, needs: tuple[str, ...], produces: str = "") -> Call:
    """Answer the call of a caller who may; Forbidden if none of ``needs`` is granted.

    An address with one representation (``produces``) sends it whatever the caller accepts, as RFC 9110
    section 12.5.1 allows; others negotiate FHIR JSON.
    """
    require(principal.scopes, needs)
    return Call(request, services_of(request), principal, produces or answer_type(request))


def open_call(request: Request) -> Call:
    """The call of an address that asks for no token: nobody in particular, without any right."""
    return Call(request, services_of(request), _NOBODY, answer_type(request))


def current_call(request: Request) -> Call:
    """Answer the call of a documented route; its guard has made it."""
    return cast("Call", request.state.call)


def base_url(request: Request, settings: Settings) -> str:
    """Answer the FHIR base URL: the configured address wins, else the one the request was sent to.

    What a proxy says of the address (X-Forwarded-Proto, -Host, -Prefix) counts only if the settings trust it.
    """
    if settings.base_url:
        return settings.fhir_base
    scheme, host, prefix = request.scope["scheme"], _host(request), ""
    if settings.trust_forwarded:
        scheme = _forwarded(request, "proto", _SCHEME) or scheme
        host = _forwarded(request, "host", _HOST) or host
        prefix = _forwarded(request, "prefix", _PREFIX).rstrip("/")
    return f"{scheme}://{host}{prefix}/fhir"


def is_private(request: Request, settings: Settings) -> bool:
    """Whether nobody could read a request on its way: by https as a trusted proxy says, or from here."""
    if settings.trust_forwarded and field(request, "x-forwarded-proto"):
        return _forwarded(request, "proto", _SCHEME) == "https"
    return request.client is not None and is_loopback(request.client.host)


def _base_of(caller: Principal, settings: Settings) -> str:
    """The base below which a caller's person may be named; empty where the name, or the settings, have none.

    The address that a request was sent to is the sender's to choose: it would make anybody's person ours.
    """
    return settings.fhir_base if "://" in caller.fhir_user else ""


def _host(request: Request) -> str:
    """The Host field, or where the request arrived if it names no host."""
    host = field(request, "host")
    if _HOST.fullmatch(host):
        return host
    name, port = request.scope["server"] or ("localhost", None)
    return f"{name}:{port}" if port else name


def _forwarded(request: Request, part: str, shape: re.Pattern[str]) -> str:
    """One X-Forwarded header as the outermost proxy set it, empty if it is not of the right shape."""
    said = field(request, f"x-forwarded-{part}").partition(",")[0].strip()
    return said if shape.fullmatch(said) else ""


async def read_body(request: Request, limit: int) -> bytes:
    """Read the body in pieces; raise TooLarge without ever holding more than ``limit`` bytes.

    A body that is only somewhat too large is read to its end, since a caller still sending would not see why
    it was refused.
    """
    too_large = TooLarge(f"The body is larger than {limit} bytes, the most this service accepts.")
    announced = field(request, "content-length")
    if announced.isascii() and announced.isdigit() and int(announced) > limit * _HEARD_OUT:
        raise too_large
    pieces: list[bytes] = []
    size = 0
    async for piece in request.stream():
        size += len(piece)
        if size > limit * _HEARD_OUT:
            break
        if size > limit:
            pieces.clear()
        else:
            pieces.append(piece)
    if size > limit:
        raise too_large
    return b"".join(pieces)


def bearer(request: Request) -> str:
    """Answer the token that a request was sent with; Unauthenticated if it has none."""
    scheme, _, token = field(request, "authorization").partition(" ")
    token = token.strip()
    if scheme.lower() != "bearer" or not token:
        raise Unauthenticated("Send an access token: the header 'Authorization: Bearer <token>'.")
    if ", " in token:  # two fields, joined as one list
        raise InvalidInput("Send one Authorization header.")
    return token

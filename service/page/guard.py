"""What stands around every page: security headers, the signed-in caller, and errors as pages.

Headers follow the OWASP secure-headers advice. The referrer policy must stay ``same-origin``: under
``no-referrer`` a browser posts a form with ``Origin: null`` (Fetch, "append a request Origin header").
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from hashlib import sha256
from hmac import compare_digest
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Forbidden, Gone, NotFound, ServiceError, Unauthenticated
from service.page.cookies import EMERGENCY, SESSION, drop, kept
from service.page.frame import Entrance, begin_frame, frame
from service.page.rendering import html
from service.page.sections import PATIENTS, SECTIONS, Section, landing, open_sections
from service.page.wanted import remember, wanted
from service.security.audit import facts_of, not_audited, note_caller, request_line
from service.security.emergency import SCOPE, Emergency, holder
from service.security.principal import Principal
from service.security.scopes import BREAK_GLASS, require
from service.security.sealing import Sealing
from service.security.tokens import TokenVerifier

__all__ = ["HEADERS", "Guard"]

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; "
        "frame-ancestors 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}

Handler = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Guard:
    """Knows whom to believe (``verifier``) and the public address (``base_url``, may be empty).

    ``sealing`` opens what browsers keep for us, ``entrances`` are where people sign in; ``development``:
    tokens of the built-in issuer are believed; ``trust_forwarded``: a proxy says how a request came.
    """

    verifier: TokenVerifier
    sealing: Sealing
    base_url: str = ""
    entrances: tuple[Entrance, ...] = ()
    development: bool = False
    trust_forwarded: bool = False

    def around(self, handler: Handler, *, audited: bool = True) -> Handler:
        """Wrap a page: set the headers, and answer an error as a page with its status.

        ``audited``: what it shows is about somebody, and an AuditEvent tells who saw it.
        """

        async def endpoint(request: Request) -> Response:
            _note_page(request) if audited else not_audited(request.scope)
            around = begin_frame(self.entrances, development=self.development)
            try:
                response = await handler(request)
            except ServiceError as problem:
                response = _refused(problem)
                if audited and request.method == "GET" and isinstance(problem, Unauthenticated):
                    await remember(request, response, self.sealing, secure=self.secure(request))
            if around.left:
                drop(response, EMERGENCY, secure=self.secure(request))
            for name, text in HEADERS.items():
                response.headers.setdefault(name, text)
            return response

        return endpoint

    async def caller(self, request: Request, section: Section = PATIENTS) -> Principal:
        """Answer the caller by Bearer header or cookie; Unauthenticated, or Forbidden for this section."""
        if not (token := self.token(request)):
            raise Unauthenticated("Sign in to see this page.")
        principal = await self.admitted(token, request)
        require(principal.scopes, (section.needs,))
        await self._look_for_an_emergency(request, token, principal)
        return principal

    def token(self, request: Request) -> str:
        """The token a request brings along, empty if it has none."""
        scheme, _, bearer = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return bearer.strip()
        return kept(request, SESSION, secure=self.secure(request))

    async def _look_for_an_emergency(self, request: Request, token: str, principal: Principal) -> None:
        """Note where the glass may be broken, and that it is, which holds for one person's pages alone."""
        if BREAK_GLASS in principal.scopes.plain and request.url.path.startswith("/app/patients/"):
            frame().breakable = f"/app/patients/{request.path_params['id']}/emergency"
        sealed = kept(request, EMERGENCY, secure=self.secure(request))
        if not sealed:
            return
        found = await self.sealing.open(EMERGENCY, Emergency, sealed)
        if found and found.holder == holder(token) and _within(request.url.path, found.patient):
            request.scope[SCOPE] = frame().emergency = found
        else:
            frame().left = True

    async def admitted(self, token: str, request: Request) -> Principal:
        """Verify a token and that it opens a section of the page."""
        principal = await self.verifier.verify(token)
        note_caller(request.scope, principal, self.fhir_base)
        frame().sections = open_sections(principal.scopes)
        require(principal.scopes, [section.needs for section in SECTIONS])
        return principal

    async def landing(self, request: Request, principal: Principal) -> str:
        """Where somebody is led who has signed in."""
        return landing(await wanted(request, self.sealing, secure=self.secure(request)), principal.scopes)

    @property
    def fhir_base(self) -> str:
        """The FHIR base, below which a token may name its user; empty where the settings name none."""
        return f"{self.base_url.rstrip('/')}/fhir" if self.base_url else ""

    def same_origin(self, request: Request) -> None:
        """Refuse a posted form that did not come from one of our own pages (cross-site request forgery)."""
        site = request.headers.get("sec-fetch-site")
        origin = urlsplit(request.headers.get("origin", "")).netloc
        ours = {request.headers.get("host", ""), urlsplit(self.base_url).netloc} - {""}
        if origin not in ours or site not in {None, "same-origin"}:
            raise Forbidden("This form was not sent from this site's own page. Open the page and try again.")

    def form_token(self, request: Request) -> str:
        """What a form of ours carries back: made from the caller's own token, which no other site knows."""
        return sha256(b"form " + self.token(request).encode()).hexdigest()

    def own_form(self, request: Request, sent: str) -> None:
        """Refuse a posted form that one of our pages did not make for this very caller."""
        self.same_origin(request)
        if not compare_digest(sent.encode(), self.form_token(request).encode()):
            raise Forbidden("This form was not made for this sign-in. Open the page and try again.")

    def secure(self, request: Request) -> bool:
        """Whether the browser reached us over https, so that the cookie may be bound to it."""
        said = request.headers.get("x-forwarded-proto", "") if self.trust_forwarded else ""
        return "https" in {request.url.scheme, urlsplit(self.base_url).scheme, said.partition(",")[0].strip()}


def _within(path: str, patient: str) -> bool:
    """Whether a page is one of a person's, or of a single resource, which is shown if it is theirs."""
    return f"{path}/".startswith((f"/app/patients/{patient}/", "/app/resources/"))


def _note_page(request: Request) -> None:
    """Note what is looked at or done, for the AuditEvent that tells of it."""
    facts = facts_of(request.scope)
    if facts is None:
        return
    facts.subtype, facts.action = ("read", "R") if request.method in {"GET", "HEAD"} else ("operation", "E")
    facts.query = request_line(request.scope)
    given = request.path_params
    if id_ := given.get("id", ""):
        facts.name(given.get("type", "Patient"), id_)


def _refused(problem: ServiceError) -> Response:
    if isinstance(problem, Unauthenticated):
        page = html("sign_in.html", status=problem.status, problem=str(problem))
        page.headers["WWW-Authenticate"] = "Bearer"
        return page
    missing = isinstance(problem, NotFound | Gone)
    return html("error.html", status=problem.status, problem=str(problem), missing=missing)

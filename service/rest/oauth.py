"""The token endpoint and the keys of its tokens; answers and errors are those of RFC 6749, not of FHIR."""

from collections import Counter
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from service.errors import TokenNotGranted
from service.rest.call import base_url, pairs_of, read_body, services_of
from service.rest.fields import field
from service.security.audit import note_caller, note_login
from service.security.clients import ASSERTED_BY
from service.security.development_issuer import is_loopback
from service.security.principal import Principal
from service.security.roles import roles
from service.security.scopes import Scopes
from service.security.token_service import ASSERTION_TYPE, VALID_S
from service.settings import Settings

__all__ = [
    "AUTHORIZE_DOCS",
    "JWKS_DOCS",
    "SMART_DOCS",
    "TOKEN_DOCS",
    "authorize",
    "configuration",
    "jwks",
    "oauth_addresses",
    "token",
]

_LONGEST = 32_768
_MOST_FIELDS = 20
_FORM = "application/x-www-form-urlencoded"
_NOT_KEPT = {"Cache-Control": "no-store", "Pragma": "no-cache"}
_CHALLENGE = {"WWW-Authenticate": 'Bearer realm="swallow-interop"'}
_FIELDS = ("grant_type", "scope", "client_assertion_type", "client_assertion")
_OBJECT = {"content": {"application/json": {"schema": {"type": "object"}}}}

TOKEN_DOCS: dict[str, Any] = {
    "tags": ["SMART"],
    "description": (
        "SMART backend services: grant_type client_credentials, a client assertion signed with "
        f"{' or '.join(ASSERTED_BY)} of type {ASSERTION_TYPE}. Clients are registered by the site."
    ),
    "requestBody": {
        "required": True,
        "content": {
            _FORM: {
                "schema": {
                    "type": "object",
                    "required": [*_FIELDS],
                    "properties": {name: {"type": "string"} for name in _FIELDS},
                }
            }
        },
    },
    "responses": {
        "200": {"description": "A token for five minutes.", **_OBJECT},
        "4XX": {"description": "error and error_description (RFC 6749 section 5.2).", **_OBJECT},
        "503": {"description": "Try again.", **_OBJECT},
    },
}
JWKS_DOCS: dict[str, Any] = {"tags": ["SMART"], "responses": {"200": {"description": "The keys.", **_OBJECT}}}
AUTHORIZE_DOCS: dict[str, Any] = {
    "tags": ["SMART"],
    "responses": {"400": {"description": "unsupported_response_type.", **_OBJECT}},
}
SMART_DOCS: dict[str, Any] = {"tags": ["SMART"], "responses": {"200": {"description": "It.", **_OBJECT}}}


async def token(request: Request) -> Response:
    """Issue an access token to a registered system."""
    services = services_of(request)
    note_login(request.scope)
    try:
        form = await _form(request)
        granted = await services.oauth.grant(form, _own_address(request, services.settings))
    except TokenNotGranted as refused:
        return _refused(refused)
    note_caller(
        request.scope,
        _client(granted.client, services.oauth.issuer.name),
        base_url(request, services.settings),
    )
    body = {"access_token": granted.token, "token_type": "bearer", "expires_in": VALID_S}
    return JSONResponse(body | {"scope": granted.scope}, headers=_NOT_KEPT)


async def jwks(request: Request) -> Response:
    """The public keys of the tokens issued here, as a JWK Set."""
    published = await services_of(request).oauth.keys.published()
    return JSONResponse(published, headers={"Cache-Control": "public, max-age=300"})


async def configuration(request: Request) -> Response:
    """The SMART configuration: where tokens come from, and how (SMART App Launch 2.2, conformance.html)."""
    services = services_of(request)
    at = _at(base_url(request, services.settings))
    ours: dict[str, object] = {
        "token_endpoint": f"{at}/token",
        "jwks_uri": f"{at}/jwks",
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": [*ASSERTED_BY],
        "grant_types_supported": ["client_credentials"],
        "scopes_supported": sorted({word for role in roles().values() for word in role.scopes.split()}),
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["client-confidential-asymmetric", "permission-v1", "permission-v2"],
    }
    return JSONResponse(ours | services.smart_configuration)


def _client(id_: str, issuer: str) -> Principal:
    """The client as the one who asked, for the AuditEvent of its token."""
    return Principal(subject=id_, issuer=issuer, scopes=Scopes(), fhir_user="", expires=0)


async def authorize(_request: Request) -> Response:
    """Refuse to sign a person in: the hospital's own authorization server does that."""
    return _refused(TokenNotGranted("Nobody signs in here; systems get tokens.", "unsupported_response_type"))


def oauth_addresses(base: str, outside: Mapping[str, object]) -> tuple[str, str]:
    """Answer where people sign in and where tokens come from; ``outside`` is what an issuer there tells."""
    at = _at(base)
    return (
        str(outside.get("authorization_endpoint", f"{at}/authorize")),
        str(outside.get("token_endpoint", f"{at}/token")),
    )


def _at(base: str) -> str:
    return f"{base.removesuffix('/fhir')}/oauth"


def _own_address(request: Request, settings: Settings) -> str:
    """The address that an assertion must be made for; nobody but the site may say what it is."""
    if not (settings.base_url or settings.trust_forwarded or is_loopback(settings.host)):
        text = "This service can't tell its own address: its site has to set SWALLOW_BASE_URL."
        raise TokenNotGranted(text, "invalid_request")
    return f"{_at(base_url(request, settings))}/token"


async def _form(request: Request) -> dict[str, str]:
    """The fields of the form that have a value; TokenNotGranted if it is none, or names one twice."""
    if request.scope["query_string"]:  # addresses are kept in logs and histories
        raise TokenNotGranted("Send the parameters in the body, not in the address.", "invalid_request")
    if field(request, "authorization"):
        raise TokenNotGranted("A client proves who it is by its assertion alone.", "invalid_request")
    if field(request, "content-type").partition(";")[0].strip().lower() != _FORM:
        raise TokenNotGranted(f"Send a form: Content-Type {_FORM}.", "invalid_request")
    try:
        pairs = pairs_of(await read_body(request, _LONGEST), _MOST_FIELDS)
    except ValueError:
        raise TokenNotGranted("The form can't be read.", "invalid_request") from None
    if any(count > 1 for count in Counter(name for name, _ in pairs).values()):
        raise TokenNotGranted("Send each parameter once.", "invalid_request")
    return {name: value for name, value in pairs if value}


def _refused(refused: TokenNotGranted) -> Response:
    unknown = refused.error == "invalid_client"
    body = {"error": refused.error, "error_description": str(refused)}
    headers = _NOT_KEPT | (_CHALLENGE if unknown else {})
    return JSONResponse(body, status_code=401 if unknown else refused.status, headers=headers)

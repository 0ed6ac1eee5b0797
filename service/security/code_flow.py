"""Signing in elsewhere by the authorization code flow, with PKCE.

Sources: OpenID Connect Core 1.0 section 3.1; SMART App Launch 2.2, app-launch.html; RFC 7636 (PKCE), RFC 9207
(``iss`` of the answer), RFC 9700 (an address to come back to for each provider); RP-Initiated Logout 1.0.
"""

import hashlib
import logging
import re
import secrets
from base64 import urlsafe_b64encode
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from hmac import compare_digest
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import msgspec
from joserfc.errors import JoseError

from service.errors import IssuerUnreachable, Unauthenticated
from service.security.client_proof import ClientProof, Public, Secret, SignedAssertion, read_private_key
from service.security.id_token import check_id_token
from service.security.provider_metadata import Known, Metadata, Remote
from service.security.providers import Provider
from service.security.signed import NotBelieved

__all__ = ["Begun", "CodeFlow", "Proven"]

_log = logging.getLogger("service.security")
_FHIR_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_LONGEST = 4_096


class Begun(msgspec.Struct, frozen=True):
    """A sign-in that was begun in one browser, which keeps it, sealed, until its answer comes."""

    provider: str
    state: str
    nonce: str
    verifier: str


@dataclass(frozen=True, slots=True)
class Proven:
    """Who somebody is: the claims of the ID token, and until when the provider says so (seconds since 1970).

    ``access_token`` reads the record for this one sign-in; ``patient`` is the record's id of whom it shows.
    """

    claims: dict[str, Any]
    expires: float
    access_token: str = field(default="", repr=False)
    patient: str = ""


class CodeFlow:
    """Signing in at one provider."""

    def __init__(
        self, provider: Provider, folder: Path, root: str, remote: Remote, now: Callable[[], float]
    ) -> None:
        """``folder`` is the list's, ``root`` the service's address, ``now`` answers seconds since 1970."""
        self.provider = provider
        self._back = f"{root}/app/login/{provider.id}/callback"
        self._leave = f"{root}/app/sign-in"
        self._metadata = Metadata(provider, remote, now)
        self._proof = _proof(provider, folder, now)
        self._remote, self._now = remote, now

    async def ready(self) -> None:
        """IssuerUnreachable unless the provider tells its addresses and keys."""
        await (await self._metadata.keys()).for_("")

    async def begin(self, launch: str = "") -> tuple[str, Begun]:
        """Answer where to send a browser, and what it must keep; ``launch`` is what the record handed on."""
        known = await self._metadata.known()
        begun = Begun(
            self.provider.id, secrets.token_urlsafe(), secrets.token_urlsafe(), secrets.token_urlsafe(48)
        )
        challenge = urlsafe_b64encode(hashlib.sha256(begun.verifier.encode()).digest()).rstrip(b"=").decode()
        asked = {
            "response_type": "code",
            "client_id": self.provider.client_id,
            "redirect_uri": self._back,
            "scope": self._scope(known, launch),
            "state": begun.state,
            "nonce": begun.nonce,
            "code_challenge": challenge,
            "code_challenge_method": "S256",
            **({"aud": self.provider.fhir} if self.provider.fhir else {}),
            **({"launch": launch} if launch else {}),
        }
        return _address(known.authorization_endpoint, asked), begun

    async def finish(self, begun: Begun, sent: Mapping[str, str]) -> Proven:
        """Answer who signed in, by the parameters a browser came back with; Unauthenticated if nobody."""
        try:
            known = await self._metadata.known()
            code = _code(self.provider, known, begun, sent)
            answer = await self._exchanged(known, code, begun.verifier)
            claims = await self._claims(answer, begun.nonce)
            return self._proven(answer, claims)
        except (IssuerUnreachable, JoseError, ValueError, TypeError, KeyError) as error:
            reason = str(error) if isinstance(error, NotBelieved) else type(error).__name__
            _log.warning("A sign-in at %s failed (%s).", self.provider.id, reason)
            raise Unauthenticated(
                f"'{self.provider.name}' did not sign you in. Begin again; "
                "if it fails again, tell who runs this service."
            ) from None

    async def farewell(self) -> str:
        """Answer where to end the session that the provider keeps, empty if it does not say.

        No ID token goes along, as none is kept; the provider may ask whether it is meant.
        """
        try:
            known = await self._metadata.known()
        except IssuerUnreachable:
            return ""
        asked = {"client_id": self.provider.client_id, "post_logout_redirect_uri": self._leave}
        return _address(known.end_session_endpoint, asked) if known.end_session_endpoint else ""

    def _scope(self, known: Known, launch: str) -> str:
        """What is asked for: who it is and, of a record, whom it shows, with their identifiers."""
        if not self.provider.fhir:
            return "openid profile"
        read = "r" if "permission-v2" in known.capabilities else "read"
        staff = [f"user/Practitioner.{read}"] if self.provider.person_systems else []
        shown = "launch" if launch else "launch/patient"
        return " ".join(["openid", "fhirUser", shown, f"patient/Patient.{read}", *staff])

    async def _exchanged(self, known: Known, code: str, verifier: str) -> dict[str, Any]:
        fields, login = self._proof.fields(known.token_endpoint, known.token_endpoint_auth_methods_supported)
        form = {"grant_type": "authorization_code", "code": code, "redirect_uri": self._back}
        answer = await self._remote.post(
            known.token_endpoint, form | {"code_verifier": verifier} | fields, login
        )
        return msgspec.json.decode(answer, type=dict[str, Any])

    async def _claims(self, answer: dict[str, Any], nonce: str) -> dict[str, Any]:
        keys = await self._metadata.keys()
        return await check_id_token(answer["id_token"], self.provider, keys, nonce, self._now())

    def _proven(self, answer: dict[str, Any], claims: dict[str, Any]) -> Proven:
        """What is good for so long as the tokens are, by the access token where that says so."""
        lasts = answer.get("expires_in")
        expires = self._now() + float(lasts) if lasts is not None else float(claims["exp"])
        if not expires > self._now():
            raise NotBelieved("what it granted has ended")
        patient = answer.get("patient", "") if self.provider.fhir else ""
        if patient and not _FHIR_ID.fullmatch(patient):
            raise NotBelieved("the patient has no FHIR id")
        return Proven(claims, expires, str(answer.get("access_token", "")), patient)


def _code(provider: Provider, known: Known, begun: Begun, sent: Mapping[str, str]) -> str:
    """The code of an answer that is one to what was begun."""
    if not compare_digest(sent.get("state", "").encode(), begun.state.encode()):
        raise NotBelieved("another state")
    told = "iss" in sent or known.authorization_response_iss_parameter_supported
    if told and sent.get("iss") != provider.issuer:
        raise NotBelieved("the answer of another issuer")
    code = sent.get("code", "")
    if "error" in sent or not code or len(code) > _LONGEST:
        raise NotBelieved("no code")
    return code


def _address(endpoint: str, asked: Mapping[str, str]) -> str:
    return f"{endpoint}{'&' if '?' in endpoint else '?'}{urlencode(asked)}"


def _proof(provider: Provider, folder: Path, now: Callable[[], float]) -> ClientProof:
    if provider.private_key_file:
        return SignedAssertion(provider.client_id, read_private_key(folder / provider.private_key_file), now)
    if provider.client_secret_file:
        secret = (folder / provider.client_secret_file).read_text("utf-8").strip()
        return Secret(provider.client_id, secret)
    return Public(provider.client_id)

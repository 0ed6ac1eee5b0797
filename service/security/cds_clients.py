"""The CDS clients a site trusts (CDS Hooks 2.0), as the JSON file of ``SWALLOW_CDS_CLIENTS`` lists them.

    [{"issuer": "https://record.example.org", "jwks": "https://record.example.org/jwks.json",
      "patient_systems": ["https://clinic.example.org/patients"]}]

``jwks`` is an address or a file, absolute or from the folder of the list. ``patient_systems`` are the systems
of identifiers by which its patients are found here, ``scopes`` what is shown to it.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path

import msgspec
from joserfc.errors import JoseError

from service.errors import Issue, Place, ServiceError, Unauthenticated
from service.records.attainment_file import READS
from service.security.asker import Asker
from service.security.keys import FetchedKeys, Get, GivenKeys, Keys, read_keys
from service.security.signed import (
    ALGORITHMS,
    SKEW_S,
    NotBelieved,
    Signed,
    check_signature,
    check_times,
    read,
)
from service.security.trusted_issuers import is_safe
from service.store.entries import Entries, Entry

__all__ = ["CdsClient", "CdsClients", "read_cds_clients"]

_LONGEST_S = 300
_NOT_BELIEVED = "The token does not prove which CDS client calls; it is signed for this address, once."


class CdsClient(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One client as it is listed."""

    issuer: str
    jwks: str
    patient_systems: tuple[str, ...] = ()
    scopes: str = " ".join(f"system/{type_}.rs" for type_ in READS)
    algorithms: tuple[str, ...] = ("ES384", "RS384", "ES256")

    @property
    def asker(self) -> Asker:
        """Who asks, for treatment: the client answers for the person who sees the card."""
        return Asker(self.issuer, self.issuer, self.issuer, self.scopes, purpose="TREAT")


def read_cds_clients(path: Path) -> tuple[CdsClient, ...]:
    """Read the list; ServiceError names every place that can't be used."""
    try:
        listed = msgspec.json.decode(path.read_bytes(), type=tuple[CdsClient, ...])
    except (OSError, msgspec.MsgspecError) as error:
        raise ServiceError(f"SWALLOW_CDS_CLIENTS: {path} can't be read: {error}") from error
    problems = [
        Issue(text, place=Place(pointer=f"{path}: /{number}"))
        for number, one in enumerate(listed)
        for text in _problems(one, path.parent)
    ]
    if len({one.issuer for one in listed}) < len(listed):
        problems.append(Issue("Two entries have the same issuer.", place=Place(pointer=str(path))))
    if problems:
        raise ServiceError(problems)
    return listed


class CdsClients:
    """Verifies who calls a CDS service."""

    def __init__(
        self, path: Path, get: Get, entries: Callable[[], Entries], now: Callable[[], float]
    ) -> None:
        """Read the list at ``path``; ``get`` fetches keys, ``now`` answers seconds since 1970."""
        self._listed = {one.issuer: one for one in read_cds_clients(path)}
        self._keys = {one.issuer: _keys(one, path.parent, get, now) for one in self._listed.values()}
        self._entries, self._now = entries, now

    async def verify(self, token: str, address: str) -> CdsClient:
        """Answer who signed a token for this address; Unauthenticated if it can't be relied on.

        IssuerUnreachable if its keys can't be had now. A token is good once.
        """
        try:
            signed = read(token)
            client = self._named(signed)
            check_signature(signed, await self._keys[client.issuer].for_(signed.key), client.algorithms)
            self._check(signed, address)
        except (NotBelieved, JoseError, ValueError, TypeError):
            raise Unauthenticated(_NOT_BELIEVED) from None
        await self._use(signed)
        return client

    def _named(self, signed: Signed) -> CdsClient:
        """The client a token names; whose keys count is what the site listed, not what the token says."""
        client = self._listed.get(str(signed.claims.get("iss")))
        if client is None or signed.type != "jwt" or not signed.key or signed.jku not in {"", client.jwks}:
            raise NotBelieved
        return client

    def _check(self, signed: Signed, address: str) -> None:
        essential = {name: {"essential": True} for name in ("iss", "iat", "exp", "jti")}
        check_times(signed.claims, self._now(), aud={"essential": True, "value": address}, **essential)
        if signed.claims["exp"] > self._now() + _LONGEST_S + SKEW_S:
            raise NotBelieved

    async def _use(self, signed: Signed) -> None:
        text = f"cds {signed.claims['iss']} {signed.claims['jti']}"
        expires = int(signed.claims["exp"]) + SKEW_S
        name = hashlib.sha256(text.encode()).hexdigest()
        if not await self._entries().enter(Entry("assertion", name, expires), once=True):
            raise Unauthenticated("This token was used before; make a new one for each call.")


def _keys(one: CdsClient, folder: Path, get: Get, now: Callable[[], float]) -> Keys:
    if one.jwks.startswith("https://") or one.jwks.startswith("http://"):
        return FetchedKeys(one.jwks, get, now)
    return GivenKeys(read_keys((folder / one.jwks).read_bytes()))


def _problems(one: CdsClient, folder: Path) -> list[str]:
    found = [] if one.issuer else ["'issuer' must say something."]
    if unknown := [name for name in one.algorithms if name not in ALGORITHMS]:
        found.append(f"{', '.join(unknown)} can't be taken as an algorithm.")
    if "://" in one.jwks:
        return found + ([] if is_safe(one.jwks) else [f"{one.jwks} must begin with https://."])
    try:
        usable = read_keys((folder / one.jwks).read_bytes())
    except (OSError, ValueError):
        return [*found, f"{one.jwks} is no file with a JWK Set."]
    return (
        found if usable else [*found, f"{one.jwks} holds no public key that signatures can be held against."]
    )

"""Tokens for one machine: an issuer whose key lies in the data folder, for demos and development.

Only ever trusted by a service that listens on the loopback address. The key is made once and readable by its
owner alone; tokens are valid for eight hours.
"""

import ipaddress
import secrets
import stat
from functools import lru_cache
from pathlib import Path

import msgspec
from joserfc import jwt
from joserfc.jwk import RSAKey

from service.errors import ServiceError
from service.security.keys import GivenKeys
from service.security.private_file import new_private_file
from service.security.roles import roles
from service.security.tokens import Issuer

__all__ = ["TOKENS_FILE", "VALID_S", "DevelopmentIssuer", "is_loopback", "write_demo_tokens"]

NAME = "https://swallow-interop.example.org/development-issuer"
AUDIENCE = "https://swallow-interop.example.org/development"
KEY_FILE = "development-key.json"
TOKENS_FILE = "demo-tokens.json"
VALID_S = 8 * 3600


def is_loopback(host: str) -> bool:
    """Whether an address to listen on can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class DevelopmentIssuer:
    """Signs tokens with the key of one data folder."""

    def __init__(self, directory: Path) -> None:
        """Read the folder's key, making it first if there is none."""
        self._key = _read_or_make(directory / KEY_FILE)

    def issuer(self) -> Issuer:
        """What a verifier needs to believe this issuer: the public key, never the private one."""
        public = RSAKey.import_key(self._key.as_dict(private=False))
        return Issuer(NAME, GivenKeys([public]), AUDIENCE)

    def sign(self, subject: str, scope: str, *, now: float, fhir_user: str = "", patient: str = "") -> str:
        """Answer a token for ``subject`` that is valid for eight hours from ``now`` (seconds since 1970).

        ``patient`` is the id of the patient it is about, where it is about one.
        """
        claims = {"iss": NAME, "aud": AUDIENCE, "sub": subject, "scope": scope, "jti": secrets.token_hex(8)}
        times = {"iat": int(now), "exp": int(now) + VALID_S}
        user = {"fhirUser": fhir_user} if fhir_user else {}
        about = {"patient": patient} if patient else {}
        header = {"alg": "RS256", "kid": self._key.kid}
        return jwt.encode(header, claims | times | user | about, self._key, algorithms=["RS256"])


def write_demo_tokens(directory: Path, *, now: float, clinician: str) -> dict[str, str]:
    """Write one token per role to ``demo-tokens.json``, a JSON object of plain strings, and answer them.

    ``clinician`` is the FHIR reference of the demo's clinician, ``Practitioner/<id>``.
    """
    issuer = DevelopmentIssuer(directory)
    tokens = {
        name: issuer.sign(f"demo-{name}", role.scopes, now=now, fhir_user=clinician if role.personal else "")
        for name, role in roles().items()
    }
    text = msgspec.json.format(msgspec.json.encode(tokens), indent=2) + b"\n"
    new_private_file(directory, text).replace(directory / TOKENS_FILE)
    return tokens


def _read_or_make(path: Path) -> RSAKey:
    if not path.exists():
        _make(path)
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise ServiceError(f"Others can read the key file {path.name}: set its mode to 0600, or delete it.")
    return _key(path.read_bytes())


@lru_cache(maxsize=1)
def _key(text: bytes) -> RSAKey:
    """The key of a file; remembered, as its numbers are checked when it is read, which takes 50 ms."""
    return RSAKey.import_key(msgspec.json.decode(text))


def _make(path: Path) -> None:
    key = RSAKey.generate_key(2048, private=True, auto_kid=True)
    made = new_private_file(path.parent, msgspec.json.encode(key.as_dict(private=True)))
    try:
        path.hardlink_to(made)  # never over another process's key, never half a key
    except FileExistsError:
        pass
    finally:
        made.unlink()

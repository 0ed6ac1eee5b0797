"""The issuers a site trusts, as the JSON file of ``SWALLOW_ISSUERS`` lists them.

    [{"issuer": "https://login.example.org", "audience": "https://swallow.example.org/fhir",
      "jwks": "https://login.example.org/jwks.json", "algorithms": ["RS256", "ES256"]},
     {"issuer": "https://other.example.org", "audience": "https://swallow.example.org/fhir",
      "introspection": "https://other.example.org/introspect", "client_id": "swallow",
      "client_secret_file": "/run/secrets/introspection"}]

``jwks`` is an address or a file. Files are named absolutely, or from the folder of the list.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from urllib.parse import urlsplit

import msgspec

from service.errors import Issue, Place, ServiceError
from service.security.development_issuer import NAME as DEVELOPMENT
from service.security.introspection import Introspection, Post
from service.security.keys import FetchedKeys, Get, GivenKeys, Keys, read_keys
from service.security.signed import ALGORITHMS
from service.security.tokens import Believed, Issuer

__all__ = ["Listed", "is_safe", "read_issuers", "trusted"]

_LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


class Listed(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One issuer as it is listed.

    ``smart_configuration``: what its authorization server can do, served instead of our own where it stands.
    """

    issuer: str
    audience: str
    jwks: str = ""
    algorithms: tuple[str, ...] = ("RS256", "RS384", "ES256", "ES384")
    introspection: str = ""
    client_id: str = ""
    client_secret_file: str = ""
    smart_configuration: dict[str, object] = {}


def read_issuers(path: Path, own: str) -> tuple[Listed, ...]:
    """Read the list; ServiceError names every place that can't be used.

    ``own`` is what the issuer of our own tokens is called: nobody else may issue under that name.
    """
    try:
        listed = msgspec.json.decode(path.read_bytes(), type=tuple[Listed, ...])
    except (OSError, msgspec.MsgspecError) as error:
        raise ServiceError(f"SWALLOW_ISSUERS: {path} can't be read: {error}") from error
    problems = [
        Issue(text, place=Place(pointer=f"{path}: /{number}"))
        for number, one in enumerate(listed)
        for text in (*_problems(one, path.parent), *_problems_of_name(one, own))
    ]
    asked = [one for one in listed if one.introspection]
    if len(asked) > 1:  # an opaque token does not say whose it is, and must not be shown to another
        problems.append(
            Issue("Only one issuer can be asked by introspection.", place=Place(pointer=str(path)))
        )
    if len({one.issuer for one in listed}) < len(listed):
        problems.append(Issue("Two entries have the same issuer.", place=Place(pointer=str(path))))
    if problems:
        raise ServiceError(problems)
    return listed


def trusted(
    listed: Sequence[Listed], folder: Path, *, get: Get, post: Post, now: Callable[[], float]
) -> list[Believed]:
    """Make of the list what a verifier believes; ``folder`` is where relative files are looked for.

    Nothing is fetched yet: an issuer that is out of reach keeps nobody else from being served.
    """
    return [
        _asked(one, folder, post)
        if one.introspection
        else Issuer(one.issuer, _keys(one, folder, get, now), one.audience, one.algorithms)
        for one in listed
    ]


def _asked(one: Listed, folder: Path, post: Post) -> Introspection:
    secret = (folder / one.client_secret_file).read_text("utf-8").strip()
    return Introspection(one.issuer, one.introspection, one.audience, (one.client_id, secret), post)


def _keys(one: Listed, folder: Path, get: Get, now: Callable[[], float]) -> Keys:
    if _is_address(one.jwks):
        return FetchedKeys(one.jwks, get, now)
    return GivenKeys(read_keys((folder / one.jwks).read_bytes()))


def _problems(one: Listed, folder: Path) -> list[str]:
    """What is wrong with an entry, in sentences."""
    found = []
    if not one.issuer or not one.audience:
        found.append("'issuer' and 'audience' must say something.")
    if bool(one.jwks) == bool(one.introspection):
        found.append("Name either 'jwks' or 'introspection', not both.")
    if unknown := [name for name in one.algorithms if name not in ALGORITHMS]:
        known = ", ".join(ALGORITHMS)
        found.append(f"{', '.join(unknown)} can't be taken as an algorithm; these can: {known}.")
    found += [
        f"{url} must begin with https:// (http:// is for this machine alone)."
        for url in (one.jwks, one.introspection)
        if _is_address(url) and not is_safe(url)
    ]
    if one.introspection:
        return found + _problems_of_login(one, folder)
    return found + (_problems_of_file(folder / one.jwks) if one.jwks and not _is_address(one.jwks) else [])


def _problems_of_name(one: Listed, own: str) -> list[str]:
    """Whoever issued under a name of ours would say which of our clients asks, and with which rights."""
    if one.issuer.rstrip("/") not in {own, DEVELOPMENT} and not one.issuer.startswith(f"{own}/"):
        return []
    return [f"{one.issuer} is what this service calls its own issuer; an issuer outside has another name."]


def _problems_of_login(one: Listed, folder: Path) -> list[str]:
    if not one.client_id or not one.client_secret_file:
        return ["Introspection needs 'client_id' and 'client_secret_file'."]
    return [] if (folder / one.client_secret_file).is_file() else [f"There is no {one.client_secret_file}."]


def _problems_of_file(path: Path) -> list[str]:
    try:
        usable = read_keys(path.read_bytes())
    except (OSError, ValueError):
        return [f"{path} is no file with a JWK Set."]
    return [] if usable else [f"{path} holds no public key that signatures can be held against."]


def _is_address(text: str) -> bool:
    return text.startswith(("http://", "https://"))


def is_safe(url: str) -> bool:
    """Whether keys may come from an address: by https, or from this machine."""
    parts = urlsplit(url)
    return bool(parts.hostname) and (parts.scheme == "https" or parts.hostname in _LOOPBACK)

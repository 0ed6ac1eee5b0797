"""Everybody who is believed here: issuers outside, those of our own tokens, and where people sign in."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from service.errors import ServiceError
from service.security.clients import Clients
from service.security.code_flow import CodeFlow
from service.security.development_issuer import DevelopmentIssuer, is_loopback
from service.security.pace import PacedVerifier
from service.security.provider_metadata import Remote
from service.security.providers import read_providers
from service.security.sealing import Sealing
from service.security.sessions import Sessions
from service.security.signing_keys import SigningKeys
from service.security.token_service import TokenService, own_name
from service.security.tokens import Believed, Issuer
from service.security.trusted_issuers import Listed, is_safe, read_issuers, trusted
from service.settings import Settings
from service.store.entries import Entries

__all__ = ["Access", "access", "code_flows"]


@dataclass(frozen=True, slots=True)
class Access:
    """``oauth`` issues tokens to systems, ``sessions`` to people, who sign in by the ``flows`` of providers.

    ``tokens`` verifies all of them, ``sealing`` is for what browsers keep. ``smart_configuration`` is what an
    issuer outside can do.
    """

    oauth: TokenService
    tokens: PacedVerifier
    sessions: Sessions
    sealing: Sealing
    flows: Mapping[str, CodeFlow]
    smart_configuration: dict[str, object]


def access(
    settings: Settings, remote: Remote, entries: Callable[[], Entries], now: Callable[[], float]
) -> Access:
    """Build it; ServiceError names what of the settings can't be used.

    A caller who is shut out is out after two halves of the settings' time.
    """
    own = own_name(settings.base_url)
    listed = read_issuers(Path(settings.issuers), own) if settings.issuers else ()
    flows = code_flows(settings, remote, now)
    half = settings.revocation_seconds / 2
    clients, keys = Clients(entries, now, remote.get, known_s=half), SigningKeys(entries, now, known_s=half)
    oauth = TokenService(settings.base_url, clients, keys, entries, now)
    sessions = Sessions(oauth.issuer, keys, clients, now)
    ours = [oauth.issuer, *map(sessions.issuer, flows)]
    believed = [*ours, *_issuers(settings, listed, remote, now), *_development_issuer(settings)]
    admits = partial(clients.admits, own=own)
    tokens = PacedVerifier(believed, now, remembered_s=half, admits=admits)
    smart = next((one.smart_configuration for one in listed if one.smart_configuration), {})
    return Access(oauth, tokens, sessions, Sealing(keys, now), flows, smart)


def code_flows(settings: Settings, remote: Remote, now: Callable[[], float]) -> dict[str, CodeFlow]:
    """Answer where people sign in, by the providers' ids; ServiceError as ``access``."""
    if not settings.providers:
        return {}
    root = settings.base_url.rstrip("/")
    if not is_safe(root):
        raise ServiceError("SWALLOW_PROVIDERS needs SWALLOW_BASE_URL, the https address people come back to.")
    path = Path(settings.providers)
    return {one.id: CodeFlow(one, path.parent, root, remote, now) for one in read_providers(path)}


def _issuers(
    settings: Settings, listed: tuple[Listed, ...], remote: Remote, now: Callable[[], float]
) -> list[Believed]:
    return trusted(listed, Path(settings.issuers).parent, get=remote.get, post=remote.post, now=now)


def _development_issuer(settings: Settings) -> list[Issuer]:
    if not settings.development_issuer:
        return []
    if not is_loopback(settings.host):
        raise ServiceError(
            f"The development issuer is for this machine alone, but others can reach {settings.host}: "
            "listen on 127.0.0.1, or switch the development issuer off."
        )
    return [DevelopmentIssuer(settings.data_dir).issuer()]

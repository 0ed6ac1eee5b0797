"""Settings with which the service does not start, since they would lay open what it keeps."""

import stat
from collections.abc import Iterator
from urllib.parse import parse_qs, urlsplit

from service.errors import Issue, ServiceError
from service.security.development_issuer import is_loopback
from service.settings import Settings

__all__ = ["check_safety"]

_LEAST_TOKEN = 32
_ENCRYPTED = frozenset({"require", "verify-ca", "verify-full"})


def check_safety(settings: Settings) -> None:
    """ServiceError with every setting that is not safe; those for development are not looked at."""
    if settings.development_issuer:  # which serves this machine alone
        return
    if problems := [Issue(text) for text in _problems(settings)]:
        raise ServiceError(problems)


def _problems(settings: Settings) -> Iterator[str]:
    if "*" in settings.cors_origins:
        yield "SWALLOW_CORS_ORIGINS: pages of every origin could call the service; name the origins."
    if _password_in_the_open(settings.database_url):
        yield (
            "SWALLOW_DATABASE_URL: the password and all that is stored would cross the network unencrypted; "
            "add sslmode=verify-full."
        )
    if 0 < len(settings.metrics_token) < _LEAST_TOKEN:
        yield (
            f"SWALLOW_METRICS_TOKEN: shorter than {_LEAST_TOKEN} characters, it can be guessed; "
            "'openssl rand -hex 32' makes one."
        )
    if not is_loopback(settings.host):
        yield from _problems_beyond_this_machine(settings)


def _problems_beyond_this_machine(settings: Settings) -> Iterator[str]:
    if not settings.trust_forwarded and not settings.base_url.startswith("https://"):
        yield (
            "SWALLOW_BASE_URL: beyond this machine the service is reached by https, through a proxy; say its "
            "https address, or set SWALLOW_TRUST_FORWARDED."
        )
    if settings.mllp_port and not settings.mllp_certificate:
        yield (
            "SWALLOW_MLLP_CERTIFICATE: what hospitals tell of people would cross the network unencrypted; "
            "name a certificate, or listen on 127.0.0.1 behind a tunnel."
        )
    if settings.data_dir.exists() and settings.data_dir.stat().st_mode & stat.S_IRWXO:
        yield f"SWALLOW_DATA_DIR: others on this machine can read {settings.data_dir}; set its mode to 0700."


def _password_in_the_open(url: str) -> bool:
    parts = urlsplit(url)
    host = parts.hostname or ""
    mode = parse_qs(parts.query).get("sslmode", [""])[-1]
    return bool(parts.password and host) and not is_loopback(host) and mode not in _ENCRYPTED

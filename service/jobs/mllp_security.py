"""TLS of MLLP connections, in and out."""

import ssl
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Security", "client_security", "server_security"]


@dataclass(frozen=True, slots=True)
class Security:
    """TLS of a connection: who is believed (a file of certificates; the system's if None), and who we are."""

    authorities: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


def client_security(files: Security) -> ssl.SSLContext:
    """Answer what a connection out needs. OSError or ssl.SSLError if a file can't be used."""
    context = ssl.create_default_context(cafile=files.authorities)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if files.certificate:
        context.load_cert_chain(files.certificate, files.key)
    return context


def server_security(files: Security) -> ssl.SSLContext:
    """Answer what connections in need; with ``authorities``, clients have to show a certificate of theirs.

    OSError or ssl.SSLError if a file can't be used.
    """
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=files.authorities)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if files.certificate is not None:
        context.load_cert_chain(files.certificate, files.key)
    if files.authorities:
        context.verify_mode = ssl.CERT_REQUIRED
    return context

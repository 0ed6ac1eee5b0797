"""Certificates of an invented authority, for a server on this machine and for a client."""

from datetime import UTC, datetime, timedelta
from ipaddress import ip_address

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

_DAY = timedelta(days=1)


def make_certificates(folder):
    """Write an authority's certificate into a folder, and those of a server and a client with their keys."""
    key, name = ec.generate_private_key(ec.SECP256R1()), _name("HTEST authority")
    root = _signed(name, name, key.public_key(), key, is_authority=True)
    (folder / "authority.pem").write_bytes(_pem(root))
    for one in ("server", "client"):
        own = ec.generate_private_key(ec.SECP256R1())
        signed = _signed(_name(one), name, own.public_key(), key, is_authority=False)
        plain = serialization.NoEncryption()
        form = serialization.PrivateFormat.PKCS8
        secret = own.private_bytes(serialization.Encoding.PEM, form, plain)
        (folder / f"{one}.pem").write_bytes(_pem(signed) + secret)
    return folder


def _name(text):
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _signed(subject, issuer, public, key, *, is_authority):
    now = datetime.now(UTC)
    names = [x509.DNSName("localhost"), x509.IPAddress(ip_address("127.0.0.1"))]
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _DAY)
        .not_valid_after(now + _DAY)
        .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
    )
    if not is_authority:
        made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
    return made.sign(key, hashes.SHA256())


def _pem(certificate):
    return certificate.public_bytes(serialization.Encoding.PEM)

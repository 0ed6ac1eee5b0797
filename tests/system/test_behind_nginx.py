"""The proxy of the examples as it ships, in front of a service that runs: nginx with its own configuration.

Only ports, paths of files and the certificate are the test's.
"""

import os
import re
import shutil
import ssl
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from socket import create_server

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from processes import run, serving

CONFIGURATION = Path(__file__).parents[2] / "examples" / "deploy" / "nginx.conf"
NAME = "swallow.example.org"
FHIR = {"Content-Type": "application/fhir+json"}
MAIN = """
daemon off; pid {folder}/nginx.pid; error_log {folder}/main.log crit;
events {{}}
http {{
    client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi; scgi_temp_path {folder}/scgi;
    include {folder}/site.conf;
}}
"""


def certified(folder: Path) -> None:
    """A key and a certificate of the name of the examples, signed by itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, NAME)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(NAME)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    text, plain = serialization.Encoding.PEM, serialization.NoEncryption()
    (folder / "cert.pem").write_bytes(made.public_bytes(text))
    (folder / "key.pem").write_bytes(key.private_bytes(text, serialization.PrivateFormat.PKCS8, plain))


def configured(folder: Path, port: int, service: str) -> Path:
    """What ships, with the ports and files of the test."""
    text = CONFIGURATION.read_text("utf-8")
    for pattern, said in (
        (r"server 127\.0\.0\.1:8080;", f"server {service};"),
        (r"listen 443 ssl;", f"listen 127.0.0.1:{port} ssl;"),
        (r"ssl_certificate \S+;", f"ssl_certificate {folder}/cert.pem;"),
        (r"ssl_certificate_key \S+;", f"ssl_certificate_key {folder}/key.pem;"),
        (r"error_log \S+ crit;", f"error_log {folder}/site.log crit;"),
    ):
        text, found = re.subn(pattern, said, text)
        assert found == 1, pattern
    (folder / "site.conf").write_text(text)
    path = folder / "nginx.conf"
    user = "user root;\n" if os.geteuid() == 0 else ""  # whose folder it is; else nginx takes who starts it
    path.write_text(user + MAIN.format(folder=folder))
    return path


@pytest.fixture
def proxied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[httpx.Client]:
    """A client that reaches the service through the proxy, by its name."""
    program = shutil.which("nginx", path="/usr/sbin:/usr/bin")
    assert program, "nginx is needed to test the proxy: run 'make nginx'"
    monkeypatch.setenv("SWALLOW_TRUST_FORWARDED", "true")
    with create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    certified(tmp_path)
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    signed = run("token", "integrator", "--data-dir", data).stdout.strip()
    trust = ssl.create_default_context(cafile=tmp_path / "cert.pem")
    with serving("serve", "--port", "0", "--development-issuer", "--data-dir", data) as server:
        words = [program, "-c", str(configured(tmp_path, port, server.url.removeprefix("http://")))]
        subprocess.run([*words, "-t", "-q"], check=True)  # noqa: S603 - as it ships it is taken
        with (
            subprocess.Popen(words) as process,  # noqa: S603 - the program of the system
            httpx.Client(base_url=f"https://127.0.0.1:{port}", verify=trust, timeout=30) as client,
        ):
            client.headers = {"Host": NAME, "Authorization": f"Bearer {signed}"}
            _wait_for(client)
            yield client
            process.terminate()


def _ask(client: httpx.Client, method: str, path: str, **more: object) -> httpx.Response:
    return client.request(method, path, extensions={"sni_hostname": NAME}, **more)  # type: ignore[arg-type]


def _wait_for(client: httpx.Client, seconds: float = 30) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            _ask(client, "GET", "/health/live")
        except httpx.ConnectError:
            time.sleep(0.02)
        else:
            return
    raise AssertionError("nginx does not answer")


@pytest.mark.conformance("A17")
def test_the_proxy_that_ships_serves_the_service(proxied: httpx.Client, tmp_path: Path) -> None:
    lying = {"X-Forwarded-Host": "elsewhere.example.org", "X-Forwarded-Proto": "http"}
    told = _ask(proxied, "GET", "/fhir/metadata", headers=lying)
    assert told.json()["implementation"]["url"] == f"https://{NAME}/fhir"
    person = {"resourceType": "Patient", "name": [{"family": "Quetzalcoatl"}]}
    made = _ask(proxied, "POST", "/fhir/Patient", json=person)
    assert made.status_code == 201
    assert made.headers["location"].startswith(f"https://{NAME}/fhir/Patient/")
    found = _ask(proxied, "GET", "/fhir/Patient?name=Quetzalcoatl")
    assert found.json()["total"] == 1
    assert found.json()["link"][0]["url"].startswith(f"https://{NAME}/fhir/Patient?")
    # too large a body, and too long an address, are refused in the service's own words
    large = _ask(proxied, "POST", "/fhir/Patient", content=b" " * 5_500_000, headers=FHIR)
    long = _ask(proxied, "GET", f"/fhir/Patient?name={'x' * 20_000}")
    for refused, status in ((large, 413), (long, 414)):
        assert (refused.status_code, refused.json()["resourceType"]) == (status, "OperationOutcome")
    assert _ask(proxied, "POST", "/fhir/Patient", content=b" " * 7_000_000).status_code == 413
    assert _ask(proxied, "GET", "/metrics").status_code == 404
    written = "".join(path.read_text("utf-8", "replace") for path in tmp_path.glob("*.log"))
    assert "Quetzalcoatl" not in written

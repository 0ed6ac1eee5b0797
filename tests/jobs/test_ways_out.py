"""Every way on which the service connects to others is judged: none leads into this machine unless named."""

import asyncio
import json
import re
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from httpx import ASGITransport, AsyncClient
from joserfc import jwt
from joserfc.jwk import ECKey

import service
from service.app import create_app
from service.cli import main
from service.security.clients import Client, Clients
from service.security.development_issuer import DevelopmentIssuer
from service.security.token_service import ASSERTION_TYPE
from service.settings import Settings

HOUSE = Path(service.__file__).parent
KEY = ECKey.generate_key("P-384", auto_kid=True)
AUDIENCE = "https://swallow.example.org/fhir"
LIBRARIES = r"^\s*(?:import|from) (?:httpx|httpcore|aiohttp|requests|urllib3|urllib\.request|http\.client)\b"


@pytest.fixture
def neighbour() -> Iterator[socket.socket]:
    """A server of this machine that nobody may ask; it is looked at in the end whether somebody did."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener
        listener.setblocking(False)
        with pytest.raises(BlockingIOError):
            listener.accept()


@pytest.fixture
def address(neighbour: socket.socket) -> str:
    return f"https://127.0.0.1:{neighbour.getsockname()[1]}"


@pytest.fixture
def folder(tmp_path: Path, address: str, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A deployment whose issuers and terminology server lie where nothing may be asked."""
    (tmp_path / "secret").write_text("secret")
    signs = {"issuer": "https://a.example.org", "audience": AUDIENCE, "jwks": f"{address}/jwks"}
    asked = {
        "issuer": "https://b.example.org",
        "audience": AUDIENCE,
        "introspection": f"{address}/introspect",
        "client_id": "us",
        "client_secret_file": "secret",
    }
    (tmp_path / "issuers.json").write_text(json.dumps([signs, asked]))
    monkeypatch.setenv("SWALLOW_ISSUERS", str(tmp_path / "issuers.json"))
    return tmp_path


def signed(claims: dict[str, object]) -> str:
    now = int(datetime.now(UTC).timestamp())
    told = {"iat": now, "exp": now + 200, "jti": "1"} | claims
    return jwt.encode({"alg": "ES384", "kid": KEY.kid}, told, KEY, algorithms=["ES384"])


async def nothing(_url: str) -> bytes:
    raise AssertionError("clients are only registered here")


def test_what_a_request_makes_the_service_ask(folder: Path, address: str) -> None:
    """Keys of an issuer, an opaque token, keys of a client, codes that are not known here."""
    settings = Settings(data_dir=folder, development_issuer=True, terminology_url=f"{address}/fhir")
    issuer = DevelopmentIssuer(folder)
    app = create_app(settings)

    async def asked() -> None:
        async with (
            app.router.lifespan_context(app),
            AsyncClient(transport=ASGITransport(app), base_url="http://test") as http,
        ):
            tokens = signed({"iss": "https://a.example.org", "aud": AUDIENCE, "sub": "x"}), "opaque"
            for token in tokens:
                answer = await http.get("/fhir/Patient", headers={"Authorization": f"Bearer {token}"})
                assert answer.status_code == 503, answer.text
            system = signed({"iss": "lab", "sub": "lab", "aud": "http://test/oauth/token"})
            clients = Clients(lambda: app.entries, lambda: 0, nothing)
            await clients.add(Client("lab", "integrator", "system/*.rs", jwks_url=f"{address}/jwks"))
            form = {
                "grant_type": "client_credentials",
                "client_assertion_type": ASSERTION_TYPE,
                "client_assertion": system,
            }
            assert (await http.post("/oauth/token", data=form)).status_code == 401
            known = issuer.sign("x", "system/*.rs", now=datetime.now(UTC).timestamp())
            lookup = "/fhir/CodeSystem/$lookup?system=http://snomed.info/sct&code=71388002"
            answer = await http.get(lookup, headers={"Authorization": f"Bearer {known}"})
            assert answer.status_code == 422, answer.text

    asyncio.run(asked())


def test_a_delivery_goes_nowhere_that_is_not_named(folder: Path, address: str) -> None:
    here = ["--data-dir", str(folder)]
    words = ["destination", "add", "record", f"{address}/fhir", "--token-file", str(folder / "secret"), *here]
    assert CliRunner().invoke(main, words).exit_code == 0
    told = CliRunner().invoke(main, ["destination", "test", "record", *here])
    assert told.exit_code != 0
    assert "SWALLOW_OUTGOING_HOSTS" in told.output


def test_doctor_asks_nobody_that_serve_would_not(folder: Path) -> None:
    told = CliRunner().invoke(main, ["doctor", "--data-dir", str(folder)])
    assert told.exit_code == 1
    assert re.search(r"PROBLEM.*a\.example\.org.*SWALLOW_OUTGOING_HOSTS", told.output)


def test_there_is_no_other_way_out() -> None:
    """One file connects; who calls it gives it a judge, but for a load into a service that its user names."""
    texts = {str(file.relative_to(HOUSE)): file.read_text("utf-8") for file in HOUSE.rglob("*.py")}
    connecting = {name for name, text in texts.items() if re.search(LIBRARIES, text, re.MULTILINE)}
    assert connecting == {"jobs/http_client.py"}
    unjudged = {name for name, text in texts.items() if re.search(r"[^.]\bconnect\([^()]*, None\b", text)}
    assert unjudged == {"cli/load.py"}

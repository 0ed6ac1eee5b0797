"""A hospital on this machine: an authorization server, and a record that holds one patient.

It checks what it is sent as the standards want it, and what it says can be bent for attacks.
"""

import base64
import hashlib
import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, unquote_plus, urlencode, urlsplit

from joserfc import jws, jwt
from joserfc.jwk import ECKey, Key, RSAKey

STAFF, PATIENTS = "https://clinic.example.org/staff", "https://clinic.example.org/patients"
SECRET = "the secret of HTEST"
KEY = RSAKey.generate_key(2048, auto_kid=True)
OTHER = RSAKey.generate_key(2048, auto_kid=True)
OURS = ECKey.generate_key("P-384", auto_kid=True)
LAUNCH = "launch-of-htest"


class Hospital:
    """What it is, what it was asked, and what it says other than it should."""

    def __init__(self, url: str) -> None:
        self.url, self.issuer, self.fhir = url, f"{url}/auth", f"{url}/fhir"
        self.now: Callable[[], float] = time.time
        self.straighten()

    def straighten(self) -> None:
        """Be as it should be, and forget what it was asked."""
        self.keys: list[Key] = [KEY]
        self.signs: Key = KEY
        self.header: dict[str, Any] = {}
        self.claims: dict[str, Any] = {}
        self.says: dict[str, Any] = {}
        self.answer: dict[str, str | None] = {}
        self.grants: dict[str, Any] = {}
        self.patient = "h-1"
        self.value = "demo-05"
        self.asked: list[str] = []
        self.scopes = ""
        self.waits = False
        """Whether somebody has to press a button before it signs in."""
        self._codes: dict[str, dict[str, str]] = {}
        self._access: set[str] = set()

    def entry(self, id_: str, **more: Any) -> dict[str, Any]:
        """How the settings list it, as a provider of this id."""
        return {
            "id": id_,
            "name": f"HTEST {id_}",
            "issuer": self.issuer,
            "client_id": "swallow",
            "roles": [
                {"claim": "groups", "value": "on-call", "role": "emergency-clinician"},
                {"claim": "groups", "value": "therapists", "role": "clinician"},
            ],
            "person_systems": [STAFF],
            **more,
        }

    def login(self, folder: Path, **more: Any) -> dict[str, Any]:
        """Itself as a place to sign in, which knows us by a secret."""
        (folder / "secret").write_text(f"{SECRET}\n")
        return self.entry("login", client_secret_file="secret", person_claim="employee_number") | more

    def record(self, folder: Path, **more: Any) -> dict[str, Any]:
        """Itself as a record, which knows us by a key."""
        (folder / "key.json").write_text(json.dumps(OURS.as_dict(private=True)))
        systems = {"fhir": self.fhir, "patient_systems": [PATIENTS]}
        return self.entry("record", private_key_file="key.json", **systems) | more

    def metadata(self) -> dict[str, Any]:
        return {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.url}/auth/authorize?of=htest",
            "token_endpoint": f"{self.url}/auth/token",
            "jwks_uri": f"{self.url}/auth/jwks",
            "end_session_endpoint": f"{self.url}/auth/logout",
            "authorization_response_iss_parameter_supported": True,
            "code_challenge_methods_supported": ["S256"],
            "capabilities": ["launch-ehr", "launch-standalone", "permission-v2", "sso-openid-connect"],
            **self.says,
        }

    def authorized(self, asked: dict[str, str]) -> str:
        """Where a browser is sent back to, with a code."""
        assert (asked["response_type"], asked["client_id"]) == ("code", "swallow")
        assert asked["code_challenge_method"] == "S256"
        assert asked["of"] == "htest"
        if "fhirUser" in asked["scope"]:
            assert asked["aud"] == self.fhir
            assert asked.get("launch", LAUNCH) == LAUNCH
        self.scopes = asked["scope"]
        code = secrets.token_urlsafe(8)
        self._codes[code] = asked
        answer = {"code": code, "state": asked["state"], "iss": self.issuer} | self.answer
        return f"{asked['redirect_uri']}?{urlencode({k: v for k, v in answer.items() if v is not None})}"

    def granted(self, form: dict[str, str], basic: str) -> dict[str, Any]:
        """The tokens for a code; KeyError or AssertionError if it is not a good one."""
        asked = self._codes.pop(form["code"])
        self._known(form, basic)
        challenge = hashlib.sha256(form["code_verifier"].encode()).digest()
        assert asked["code_challenge"] == base64.urlsafe_b64encode(challenge).rstrip(b"=").decode()
        assert (form["grant_type"], form["redirect_uri"]) == ("authorization_code", asked["redirect_uri"])
        access = secrets.token_urlsafe(8)
        self._access.add(access)
        shown = {"patient": self.patient} if "launch" in asked["scope"] else {}
        tokens = {"access_token": access, "token_type": "Bearer", "expires_in": 1800, **shown}
        return tokens | {"id_token": self._id_token(asked["nonce"])} | self.grants

    def _known(self, form: dict[str, str], basic: str) -> None:
        if basic:
            name, _, secret = base64.b64decode(basic.removeprefix("Basic ")).decode().partition(":")
            assert (unquote_plus(name), unquote_plus(secret)) == ("swallow", SECRET)
            return
        said = jwt.decode(form["client_assertion"], OURS, algorithms=["ES384"]).claims
        assert (said["iss"], said["sub"], said["aud"]) == ("swallow", "swallow", f"{self.url}/auth/token")
        assert 0 < said["exp"] - self.now() <= 300

    def _id_token(self, nonce: str) -> str:
        now = int(self.now())
        claims = {
            "iss": self.issuer,
            "aud": "swallow",
            "sub": "htest-7",
            "name": "Wren Exampleton",
            "nonce": nonce,
            "iat": now,
            "exp": now + 300,
            "groups": ["therapists", "staff"],
            "employee_number": "slp-01",
            "fhirUser": f"{self.fhir}/Practitioner/staff-1",
        } | self.claims
        header = {"alg": "RS256", "kid": self.signs.kid} | self.header
        if header["alg"] == "none":
            return f"{_encoded(header)}.{_encoded(claims)}."
        if header["alg"] == "HS256":  # the public key, which everybody knows, as a secret
            text = f"{_encoded(header)}.{_encoded(claims)}"
            return f"{text}.{_base64(hmac.digest(KEY.as_pem(private=False), text.encode(), 'sha256'))}"
        registry = jws.JWSRegistry(algorithms=[header["alg"]], strict_check_header=False)
        said = {name: value for name, value in claims.items() if value is not None}
        return jws.serialize_compact(header, json.dumps(said), self.signs, registry=registry)

    def resource(self, type_: str, id_: str, bearer: str) -> dict[str, Any] | None:
        """What it holds, for whoever has an access token of it."""
        held = {
            ("Patient", "h-1"): {"system": PATIENTS, "value": self.value},
            ("Practitioner", "staff-1"): {"system": STAFF, "value": "slp-01"},
        }
        if bearer.removeprefix("Bearer ") not in self._access or (type_, id_) not in held:
            return None
        others = {"system": "https://insurer.example.org", "value": "demo-01"}
        return {"resourceType": type_, "id": id_, "identifier": [others, held[type_, id_]]}


def _encoded(part: dict[str, Any]) -> str:
    return _base64(json.dumps(part).encode())


def _base64(text: bytes) -> str:
    return base64.urlsafe_b64encode(text).rstrip(b"=").decode()


@contextmanager
def hospital(host: str = "127.0.0.1") -> Iterator[Hospital]:
    """Run it until the block ends."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    server.hospital = Hospital(f"http://{host}:{server.server_address[1]}")
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield server.hospital
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class _Handler(BaseHTTPRequestHandler):
    def do_GET(self):
        one, parts = self.server.hospital, urlsplit(self.path)
        one.asked.append(self.path)
        if parts.path.endswith(("/openid-configuration", "/smart-configuration")):
            self._json(one.metadata())
        elif parts.path == "/auth/jwks":
            self._json({"keys": [key.as_dict(private=False) for key in one.keys]})
        elif parts.path == "/auth/authorize":
            back = one.authorized(dict(parse_qsl(parts.query)))
            self._page(f'<a href="{back.replace("&", "&amp;")}">Allow</a>') if one.waits else self._to(back)
        elif parts.path == "/auth/logout":
            back = dict(parse_qsl(parts.query))["post_logout_redirect_uri"]
            self._page(f'Signed out of HTEST. <a href="{back}">Back</a>')
        elif parts.path == "/ehr":
            launch = urlencode({"iss": one.fhir, "launch": LAUNCH})
            self._page(f'<a href="{dict(parse_qsl(parts.query))["app"]}?{launch}">Swallowing</a>')
        else:
            found = one.resource(*parts.path.split("/")[-2:], self.headers.get("Authorization", ""))
            self._json(found or {}, 200 if found else 404)

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        self.server.hospital.asked.append(self.path)
        try:
            basic = self.headers.get("Authorization", "")
            self._json(self.server.hospital.granted(dict(parse_qsl(body)), basic))
        except (AssertionError, KeyError):
            self._json({"error": "invalid_grant"}, 400)

    def _to(self, address):
        self.send_response(303)
        self.send_header("Location", address)
        self.end_headers()

    def _page(self, body):
        self._sent(f"<!doctype html><title>HTEST</title>{body}".encode(), "text/html", 200)

    def _json(self, tree, status=200):
        self._sent(json.dumps(tree).encode(), "application/json", status)

    def _sent(self, body, kind, status):
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        pass

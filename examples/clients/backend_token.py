"""Fetch an access token as a registered system does (SMART backend services), and print it.

    python examples/clients/backend_token.py http://127.0.0.1:8080/fhir lab lab-key.json 'system/*.rs'

The key is the system's own private key (a JWK), made by itself or by 'swallow-interop client add' with
--new-key. A token is good for five minutes; then fetch another.
"""

import json
import sys
import time
import uuid
from pathlib import Path

import httpx
from joserfc import jwt
from joserfc.jwk import ECKey

ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


def main(base: str, client: str, key_file: str, scope: str) -> None:
    address = httpx.get(f"{base}/.well-known/smart-configuration").json()["token_endpoint"]
    form = {
        "grant_type": "client_credentials",
        "scope": scope,
        "client_assertion_type": ASSERTION,
        "client_assertion": assertion(client, address, json.loads(Path(key_file).read_bytes())),
    }
    answer = httpx.post(address, data=form)
    if answer.status_code != 200:
        sys.exit(answer.text)
    print(answer.json()["access_token"])


def assertion(client: str, address: str, private: dict[str, str]) -> str:
    key = ECKey.import_key(private)
    claims = {
        "iss": client,
        "sub": client,
        "aud": address,
        "exp": int(time.time()) + 240,
        "jti": str(uuid.uuid4()),  # each assertion is good once
    }
    return jwt.encode({"alg": "ES384", "kid": key.kid}, claims, key, algorithms=["ES384"])


if __name__ == "__main__":
    main(*sys.argv[1:])

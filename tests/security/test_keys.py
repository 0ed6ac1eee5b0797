"""Keys at an address: rotation, an address that is out of reach, and strangers who ask for names."""

import asyncio
import json
from typing import Any

import pytest
from joserfc.jwk import ECKey, OctKey, RSAKey

from service.errors import IssuerUnreachable
from service.security.keys import FRESH_S, PAUSE_S, STALE_S, FetchedKeys, read_keys

FIRST, SECOND = (ECKey.generate_key("P-256", auto_kid=True) for _ in range(2))


def key_set(*keys: Any) -> bytes:
    return json.dumps({"keys": [key.as_dict(private=False) for key in keys]}).encode()


class Address:
    """What an issuer publishes; None while it is out of reach."""

    def __init__(self) -> None:
        self.now = 0.0
        self.published: bytes | None = key_set(FIRST)
        self.asked = 0
        self.keys = FetchedKeys("https://issuer.example.org/jwks", self.get, lambda: self.now)

    async def get(self, url: str) -> bytes:
        assert url == "https://issuer.example.org/jwks"
        self.asked += 1
        if self.published is None:
            raise IssuerUnreachable("out of reach")
        return self.published

    def names(self, kid: str = "") -> list[str | None]:
        return [key.kid for key in asyncio.run(self.keys.for_(kid))]


@pytest.fixture
def address() -> Address:
    return Address()


@pytest.mark.conformance("I2")
def test_an_unknown_name_has_the_keys_fetched_anew(address: Address) -> None:
    assert address.names(FIRST.kid) == [FIRST.kid]
    address.published = key_set(FIRST, SECOND)
    address.now = PAUSE_S
    assert address.names(SECOND.kid) == [FIRST.kid, SECOND.kid]
    address.published = key_set(SECOND)
    address.now += FRESH_S - 1
    assert address.names(FIRST.kid) == [FIRST.kid, SECOND.kid]
    address.now += 1
    assert address.names(FIRST.kid) == [SECOND.kid]
    assert address.asked == 3


def test_strangers_can_not_have_the_address_asked_all_the_time(address: Address) -> None:
    for number in range(100):
        address.now = number / 10
        address.names(f"unknown-{number}")
    assert address.asked == 1
    address.now = PAUSE_S
    address.names("unknown")
    assert address.asked == 2


def test_many_who_wait_for_keys_fetch_them_once(address: Address) -> None:
    async def many() -> None:
        await asyncio.gather(*(address.keys.for_(FIRST.kid or "") for _ in range(20)))

    asyncio.run(many())
    assert address.asked == 1


@pytest.mark.conformance("I2")
def test_an_issuer_out_of_reach_is_served_with_its_last_keys_for_a_while(address: Address) -> None:
    address.published = None
    with pytest.raises(IssuerUnreachable, match="try again"):
        address.names()
    address.published = key_set(FIRST)
    with pytest.raises(IssuerUnreachable):
        address.names()
    address.now = PAUSE_S
    assert address.names() == [FIRST.kid]
    for published in (None, b"<html>", b"[]", b'{"keys": 1}'):
        address.published = published
        address.now += FRESH_S
        assert address.names() == [FIRST.kid]
    address.now = PAUSE_S + STALE_S
    with pytest.raises(IssuerUnreachable):
        address.names()


def test_what_can_not_verify_is_left_out_of_a_set() -> None:
    good = RSAKey.generate_key(2048, auto_kid=True)
    parts = [
        OctKey.generate_key(256, auto_kid=True).as_dict(),
        good.as_dict(private=False, use="enc", kid="for encryption"),
        {"kty": "AKP", "kid": "of another time", "pub": "x"},
        {"kty": "RSA", "kid": "broken", "n": "x"},
        {"kty": "RSA", "kid": "short", "e": "AQAB", "n": "s" * 171},
        {"kty": ["RSA"], "kid": "no kind"},
        good.as_dict(private=False),
    ]
    assert [key.kid for key in read_keys(json.dumps({"keys": parts}).encode())] == [good.kid]

"""Access tokens that a destination's authorization server gives us (SMART Backend Services).

Source: SMART App Launch 2.2, backend-services.html: client credentials with a signed assertion. A token is
kept until a little before it expires, and fetched anew once where it is refused earlier.
"""

import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from service.errors import DeliveryFailed, ServiceError
from service.jobs.destination import Login
from service.jobs.http_client import Client, TransportError
from service.security.client_proof import SignedAssertion, read_private_key

__all__ = ["BackendTokens", "FileTokens"]

_EARLIER_S = 30.0


class _Granted(msgspec.Struct):
    access_token: str
    token_type: str
    expires_in: float = 300.0


class FileTokens:
    """A token that stands in a file, and is read again where it is refused."""

    def __init__(self, path: str) -> None:
        """Take where it is; no path: there is none."""
        self._path = path
        self._text: str | None = _secret_in(path)

    async def token(self) -> str:
        """See Tokens of ``http_client.py``."""
        if self._text is None:
            self._text = _secret_in(self._path)
        return self._text

    def forget(self) -> None:
        """See Tokens."""
        self._text = None


class BackendTokens:
    """Tokens of one token endpoint."""

    def __init__(self, login: Login, client: Client, now: Callable[[], float] = time.time) -> None:
        """``client`` goes to the token endpoint; ServiceError if the key can't be read."""
        try:
            key = read_private_key(Path(login.key_file))
        except (OSError, ValueError, msgspec.MsgspecError):
            raise ServiceError(f"{login.key_file} is no private key (JWK) that may sign.") from None
        self._proof = SignedAssertion(login.client_id, key, now)
        self._login, self._client, self._now = login, client, now
        self._text, self._until = "", 0.0

    async def token(self) -> str:
        """See Tokens."""
        if self._now() >= self._until:
            granted = await self._granted()
            self._text, self._until = granted.access_token, self._now() + granted.expires_in - _EARLIER_S
        return self._text

    def forget(self) -> None:
        """See Tokens."""
        self._until = 0.0

    async def _granted(self) -> _Granted:
        url = self._login.token_url
        fields, _ = self._proof.fields(url, ())
        del fields["client_id"]  # the assertion names it
        form = {"grant_type": "client_credentials", "scope": self._login.scope, **fields}
        try:
            answer = await self._client.post(url, data=form, headers={"Accept": "application/json"})
        except TransportError as error:
            raise DeliveryFailed(f"The token endpoint did not answer ({type(error).__name__}).") from None
        try:
            if answer.status_code == 200:
                return msgspec.json.decode(answer.content, type=_Granted)
        except msgspec.MsgspecError:
            pass
        raise DeliveryFailed(f"The token endpoint gave no token ({answer.status_code}).")


def _secret_in(path: str) -> str:
    """Read a secret; none without a path. ServiceError if it can't be read."""
    try:
        return Path(path).read_text("utf-8").strip() if path else ""
    except (OSError, UnicodeDecodeError) as error:
        raise ServiceError(f"{path} can't be read ({type(error).__name__}).") from None

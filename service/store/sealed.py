"""Files that only the holder of a key can read; what was changed, cut short or put in another order is found.

    "swallow-interop sealed 1", line feed    25 bytes
    public key of the recipient              32 bytes (X25519, RFC 7748)
    public key made for this file alone      32 bytes
    chunks                                   65,536 bytes each, the last at most so many, and 16 bytes more

Each chunk is ChaCha20-Poly1305 (RFC 8439); its nonce is its number (11 bytes, from 0) and 1 for the last
chunk, 0 for others, as in the STREAM construction (Hoang and others, 2015). The key is HKDF-SHA256 (RFC
5869) of what X25519 makes of both keys, with both public keys as salt and the first line, without its end, as
info.
"""

import base64
import io
from pathlib import Path
from typing import BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from service.errors import InvalidInput

__all__ = ["Sealing", "Unsealed", "is_sealed", "new_key", "read_key", "recipient_of"]

_WHAT = b"swallow-interop sealed 1"
_FIRST = _WHAT + b"\n"
_KEY = 32
_CHUNK = 65_536
_TAG = 16


def new_key() -> str:
    """Make a private key, as text to be kept in a file."""
    return base64.urlsafe_b64encode(X25519PrivateKey.generate().private_bytes_raw()).decode()


def read_key(path: Path) -> X25519PrivateKey:
    """Read a private key; InvalidInput if the file holds none."""
    try:
        return X25519PrivateKey.from_private_bytes(base64.urlsafe_b64decode(path.read_bytes().strip()))
    except ValueError:
        raise InvalidInput(f"{path.name} holds no key of 'backup-key'.") from None


def recipient_of(key: X25519PrivateKey) -> str:
    """Answer the public part of a key: who has it can seal, not read."""
    return base64.urlsafe_b64encode(key.public_key().public_bytes_raw()).decode()


def is_sealed(path: Path) -> bool:
    """Whether a file says that it is sealed."""
    with path.open("rb") as file:
        return file.read(len(_FIRST)) == _FIRST


def _cipher(shared: bytes, salt: bytes) -> ChaCha20Poly1305:
    return ChaCha20Poly1305(HKDF(SHA256(), 32, salt=salt, info=_WHAT).derive(shared))


def _nonce(number: int, *, last: bool) -> bytes:
    return number.to_bytes(11, "big") + bytes([last])


class Sealing(io.RawIOBase):
    """A file to write to, whose content arrives sealed in ``under``; whole only once it is closed."""

    def __init__(self, under: BinaryIO, recipient: str) -> None:
        """Seal for ``recipient``; InvalidInput if that is none."""
        try:
            public = X25519PublicKey.from_public_bytes(base64.urlsafe_b64decode(recipient.encode()))
        except ValueError:
            raise InvalidInput("The recipient is not one that 'backup-key' has printed.") from None
        own = X25519PrivateKey.generate()
        salt = public.public_bytes_raw() + own.public_key().public_bytes_raw()
        self._cipher = _cipher(own.exchange(public), salt)
        self._under = under
        self._kept = bytearray()
        self._number = 0
        under.write(_FIRST + salt)

    def writable(self) -> bool:
        """It is."""
        return True

    def write(self, data: "bytes | bytearray | memoryview", /) -> int:  # type: ignore[override]
        """Take in more."""
        self._kept += data
        while len(self._kept) > _CHUNK:  # what may be the last chunk waits
            self._seal(bytes(self._kept[:_CHUNK]), last=False)
            del self._kept[:_CHUNK]
        return len(data)

    def close(self) -> None:
        """Seal what waits as the end; ``under`` stays open."""
        if not self.closed:
            self._seal(bytes(self._kept), last=True)
        super().close()

    def _seal(self, chunk: bytes, *, last: bool) -> None:
        self._under.write(self._cipher.encrypt(_nonce(self._number, last=last), chunk, None))
        self._number += 1


class Unsealed(io.RawIOBase):
    """What a sealed file holds, read chunk by chunk; nothing is answered that was not checked."""

    def __init__(self, under: BinaryIO, key: X25519PrivateKey, name: str) -> None:
        """Read ``under``, called ``name``; InvalidInput if it was sealed for another key."""
        self._under, self._name = under, name
        head = under.read(len(_FIRST) + 2 * _KEY)
        public, own = head[len(_FIRST) : -_KEY], head[-_KEY:]
        if len(head) < len(_FIRST) + 2 * _KEY:
            raise self._damaged()
        if public != key.public_key().public_bytes_raw():
            raise InvalidInput(f"{name} was sealed for another key.")
        self._cipher = _cipher(key.exchange(X25519PublicKey.from_public_bytes(own)), public + own)
        self._next = under.read(_CHUNK + _TAG)
        self._open = b""
        self._number = 0
        self._ended = False

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, into: "bytearray | memoryview", /) -> int:  # type: ignore[override]
        """Answer the next bytes; InvalidInput where the file is not as it was written."""
        if not self._open and not self._ended:
            self._open = self._chunk()
        size = min(len(into), len(self._open))
        into[:size] = self._open[:size]
        self._open = self._open[size:]
        return size

    def _chunk(self) -> bytes:
        chunk, self._next = self._next, self._under.read(_CHUNK + _TAG)
        self._ended = not self._next
        try:
            opened = self._cipher.decrypt(_nonce(self._number, last=self._ended), chunk, None)
        except InvalidTag:
            raise self._damaged() from None
        self._number += 1
        return opened

    def _damaged(self) -> InvalidInput:
        return InvalidInput(f"{self._name} is damaged or cut short: it is not as it was sealed.")

"""A destination: where what is stored here is delivered to, what of it, how, and when."""

from typing import Literal

import msgspec

__all__ = ["Destination", "Filter", "Limits", "Login"]


class Filter(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is delivered: resources of these types, all if none is named.

    ``preliminary``: also what waits for a signature.
    """

    types: tuple[str, ...] = ()
    preliminary: bool = False


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How much at once: requests a second (0: any number), entries of a Bundle, patients at a time.

    ``seconds``: for so long an answer is waited for.
    """

    per_second: float = 0.0
    entries: int = 200
    concurrency: int = 4
    seconds: float = 30.0


class Login(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How we say who we are; secrets are files, named here."""

    token_file: str = ""


class Destination(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One destination. ``address`` is a FHIR base, ``mllp://host:port`` or a folder, as the kind has it."""

    name: str
    kind: Literal["fhir", "mllp", "folder"]
    address: str
    filter: Filter = Filter()
    limits: Limits = Limits()
    login: Login = Login()

    @property
    def feed(self) -> str:
        """The name under which is kept how far the changes were looked through for it."""
        return f"delivery/{self.name}"

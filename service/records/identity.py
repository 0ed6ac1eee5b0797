"""The identifiers of what a visit record becomes: the record's own identifier and the part's path.

``enc(record.value)/pre/3`` names the third trial of the opening block; the Encounter has the record's
identifier itself. ``/`` and ``%`` inside the record's value are percent-encoded, so no record's names can
begin with another's.
"""

import re
from dataclasses import dataclass
from functools import lru_cache
from urllib.parse import quote
from uuid import NAMESPACE_URL, uuid5

__all__ = ["Names", "criteria", "decoded", "encoded", "full_url", "key_of_goal", "person_url", "token"]

_MARKS = re.compile(r"[\\|,$]")


def encoded(text: str) -> str:
    """The text with ``%`` and ``/`` percent-encoded."""
    return text.replace("%", "%25").replace("/", "%2F")


def decoded(text: str) -> str:
    """The text that ``encoded`` was given."""
    return text.replace("%2F", "/").replace("%25", "%")


@lru_cache(maxsize=4_096)
def full_url(system: str, value: str) -> str:
    """The fullUrl of the part of a record with this identifier; it is always the same."""
    return uuid5(NAMESPACE_URL, f"{system}|{value}").urn


def person_url(type_: str, system: str, value: str) -> str:
    """The fullUrl of a Patient or Practitioner; a number may be used for both, and for a record too."""
    return uuid5(NAMESPACE_URL, f"{type_}?{system}|{value}").urn


def token(system: str, code: str) -> str:
    r"""A token as a search value; ``\``, ``|``, ``,`` and ``$`` in it are escaped as FHIR wants."""
    return f"{_escaped(system)}|{_escaped(code)}"


def criteria(system: str, value: str) -> str:
    """A search by identifier as query text."""
    return f"identifier={quote(token(system, value), safe='')}"


def _escaped(text: str) -> str:
    return _MARKS.sub(r"\\\g<0>", text)


def key_of_goal(value: str) -> str:
    """The goal's key in an identifier value ``…/goals/<key>``; empty if it is none."""
    parts = value.split("/")
    return parts[2] if len(parts) == 3 and parts[1] == "goals" else ""


@dataclass(frozen=True, slots=True)
class Names:
    """Identifiers and fullUrls below one record's identifier."""

    system: str
    record: str

    @property
    def root(self) -> str:
        """Value of the Encounter's identifier."""
        return encoded(self.record)

    @property
    def prefix(self) -> str:
        """What the identifier value of every other part begins with."""
        return f"{self.root}/"

    def value(self, path: str) -> str:
        """The identifier value of the part at ``path``; the empty path is the Encounter."""
        return f"{self.root}/{path}" if path else self.root

    def owns(self, system: str, value: str) -> bool:
        """Whether an identifier was made from this record."""
        return system == self.system and (value == self.root or value.startswith(self.prefix))

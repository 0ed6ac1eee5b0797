"""Rows in which a chain names where the others end, so that what is cut off an end is missed elsewhere.

Such a row is an AuditEvent of its own: a chain's first says that a process began to write, later ones come
after so many rows or so long.
"""

from collections.abc import Iterable
from typing import NamedTuple

import msgspec

from service.store.audit import Event, Head

__all__ = ["LINK", "MOST_NAMED", "Named", "is_due", "link", "linked", "named_in"]

LINK = "link"
"""The subtype of these rows, a code of iso-21089-lifecycle."""
MOST_NAMED = 100
_ROWS = 1_000
_MILLISECONDS = 10 * 60 * 1000
_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_LIFECYCLE = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle"


class Named(NamedTuple):
    """The end of a chain as another names it."""

    chain: str
    place: int
    hash: str


def is_due(head: Head, now: int) -> bool:
    """Whether the next row of a chain is to name the ends of the others."""
    rows, passed = head.place - head.linked_place, now - head.linked
    return not head.place or rows >= _ROWS or passed >= _MILLISECONDS


def linked(head: Head, now: int) -> Head:
    """The head of a chain whose next row names others."""
    return head._replace(linked_place=head.place + 1, linked=now)


def link(others: Iterable[Named]) -> Event:
    """The row that names the ends of other chains."""
    details = [{"type": one.chain, "valueString": f"{one.place} {one.hash}"} for one in others]
    body = {
        "type": {"system": _DICOM, "code": "110100", "display": "Application Activity"},
        "subtype": [{"system": _LIFECYCLE, "code": LINK, "display": "Link Record Lifecycle Event"}],
        "action": "E",
        "outcome": "0",
        "agent": [{"who": {"display": "swallow-interop"}, "requestor": False}],
        "source": {"observer": {"display": "swallow-interop"}},
    }
    if details:
        body["entity"] = [{"what": {"display": "Audit chains"}, "detail": details}]
    return Event("110100", LINK, "E", "0", "", "", (), msgspec.json.encode(body).decode()[1:-1])


def named_in(content: str) -> list[Named]:
    """The ends that such a row names."""
    tree = msgspec.json.decode(content)
    details = (detail for entity in tree.get("entity", []) for detail in entity.get("detail", []))
    parts = ((detail["type"], *detail["valueString"].split(" ")) for detail in details)
    return [Named(chain, int(place), hash_) for chain, place, hash_ in parts]

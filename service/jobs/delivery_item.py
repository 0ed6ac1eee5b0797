"""A change as it is written at a FHIR endpoint: under which request, with which references.

New resources are created on condition that nothing there has their business identifier, what was sent before
is updated under the id it has there, on condition that nobody has changed it (FHIR R4 http.html, conditional
create, managing resource contention). A resource without a business identifier keeps its id where the
endpoint lets clients choose ids, and is otherwise left out.
"""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import msgspec

from service.fhir.json import Tree
from service.fhir.references import local_target, rewrite
from service.jobs.delivery_peer import Peer
from service.jobs.delivery_sender import Change

__all__ = [
    "LINKED",
    "Item",
    "There",
    "criterion_of",
    "item_for",
    "request_of",
    "there_of",
    "wanted",
    "wanted_of",
]

LINKED = frozenset(
    {"Device", "HealthcareService", "Location", "Organization", "Patient", "Person", "Practitioner"}
    | {"PractitionerRole", "RelatedPerson"}
)
"""Types of people and places: what is there already of one is referred to and left as it is."""


class There(msgspec.Struct, frozen=True, omit_defaults=True):
    """What is known of a resource at the other end: its id and newest entity tag.

    ``linked``: it was there before us, and is not ours to change. ``left_out`` says why it is not there.
    ``loose`` names (``Type/id`` here) what it refers to and was not there when it was sent.
    """

    id: str = ""
    etag: str = ""
    linked: bool = False
    left_out: str = ""
    loose: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Item:
    """One change on its way. ``criterion`` is the search for its business identifier, empty without one."""

    change: Change
    tree: Tree
    there: There
    criterion: str = ""

    @property
    def type(self) -> str:
        """The type of the resource."""
        return self.change.version.type

    @property
    def is_new(self) -> bool:
        """Whether it is created, under an id that the other end chooses."""
        return not self.there.id

    @property
    def address(self) -> str:
        """What refers to it: its address there, or the fullUrl it has in a Bundle."""
        if self.there.id:
            return f"{self.type}/{self.there.id}"
        return uuid.uuid5(uuid.NAMESPACE_URL, f"{self.type}?{self.criterion}").urn


def there_of(text: str) -> There:
    """Read what was noted."""
    return msgspec.json.decode(text, type=There) if text else There()


def item_for(change: Change, tree: Tree, peer: Peer) -> Item | str:
    """Answer how a change is sent, as ``tree``, or why it is left out."""
    there, type_ = there_of(change.there), change.version.type
    if there.linked:
        return f"{type_} that was there before"
    if type_ not in peer.types:
        return f"{type_}, which the receiving end does not take"
    criterion = criterion_of(tree)
    if there.id or (criterion and not change.version.deleted):
        return Item(change, tree, there, criterion)
    if change.version.deleted:
        return f"deleted {type_} that was not sent"
    if type_ in peer.keeps_ids:
        return Item(change, tree, There(change.version.id))
    return f"{type_} without an identifier"


def criterion_of(tree: Tree) -> str:
    """``identifier=system|value`` of the first complete business identifier, or nothing."""
    identifiers = tree.get("identifier", [])
    for identifier in identifiers if isinstance(identifiers, list) else [identifiers]:
        if identifier.get("system") and identifier.get("value"):
            return "identifier=" + quote(f"{identifier['system']}|{identifier['value']}", safe="")
    return ""


def wanted(item: Item, addresses: Mapping[str, str]) -> Tree:
    """Answer what the other end is to hold, under the id it has there if that is known."""
    tree = wanted_of(item.tree, addresses)
    if item.is_new:
        tree.pop("id", None)
    else:
        tree["id"] = item.there.id
    return tree


def wanted_of(tree: Tree, addresses: Mapping[str, str]) -> Tree:
    """Answer a resource as it is told elsewhere: with addresses of there, and no version of ours.

    ``addresses`` are those of what is there, by ``Type/id`` here. What is not there is named by its type and
    display alone. What names a version (a Provenance) names the resource, as versions have other numbers.
    """

    def there(address: str) -> str:
        return addresses.get(local_target(address) or address, address)

    told = {**_loosened(rewrite(tree, there), frozenset(addresses.values()))}
    told["meta"] = {k: v for k, v in told.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    if not told["meta"]:
        del told["meta"]
    return told


def _loosened(node: Any, known: frozenset[str]) -> Any:
    """The same without references that would lead nowhere there."""
    if isinstance(node, list):
        return [_loosened(one, known) for one in node]
    if not isinstance(node, dict):
        return node
    loose = {name: _loosened(value, known) for name, value in node.items()}
    said = node.get("reference")
    if isinstance(said, str) and (target := local_target(said)) and said not in known:
        del loose["reference"]
        loose.setdefault("type", target.partition("/")[0])
    return loose


def request_of(item: Item) -> dict[str, str]:
    """The request of a transaction's entry, or of its own."""
    where = f"{item.type}/{item.there.id}"
    match = {"ifMatch": item.there.etag} if item.there.etag else {}
    if item.change.version.deleted:
        return {"method": "DELETE", "url": where, **match}
    if item.is_new:
        return {"method": "POST", "url": item.type, "ifNoneExist": item.criterion}
    return {"method": "PUT", "url": where, **match}

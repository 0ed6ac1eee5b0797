"""What becomes of a resource when a person is erased: it goes, it loses them, or it stays.

The rules in words are ``mappings/policies/retention.json``.
"""

from collections.abc import Collection, Iterator, Sequence
from typing import Any, Literal, NamedTuple

from service.fhir.json import Tree
from service.fhir.references import local_target, rewrite
from service.fhir.search_parameters import is_owned
from service.fhir.search_values import SearchKeys

__all__ = ["Fate", "Seen", "addresses", "fate_of", "without"]

Fate = Literal["goes", "loses", "past", "stays"]
"""All of it; the person out of its newest version; older versions that name them; nothing."""
_MASKED = {
    "extension": [
        {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "masked"}
    ]
}

_NOBODY = "urn:uuid:00000000-0000-0000-0000-000000000000"
"""The nil UUID (RFC 4122 section 4.1.7), where an address can't be left out."""


class Seen(NamedTuple):
    """A version that is no deletion: its number, content and what it is found by."""

    number: int
    tree: Tree
    keys: SearchKeys


def addresses(tree: Tree, base: str = "") -> set[str]:
    """Every ``Type/id`` of this service that a resource names, wherever an address may stand."""
    found: set[str] = set()

    def note(address: str) -> str:
        found.add(local_target(address, base))
        return address

    rewrite(tree, note)
    return found - {""}


def fate_of(seen: Sequence[Seen], gone: Collection[str], base: str = "", *, deleted: bool) -> Fate:
    """What becomes of a resource; ``gone`` are the person (``Patient/id``) and what goes with them.

    ``seen`` are its versions, oldest first; ``deleted``: the newest of all is a deletion.
    """
    if not seen:
        return "stays"
    if _goes(seen[-1], gone, base):
        return "goes"
    naming = [bool(addresses(one.tree, base).intersection(gone)) for one in seen]
    if naming[-1] and not deleted:
        return "loses"
    return "past" if any(naming) else "stays"


def without(tree: Tree, gone: Collection[str], base: str = "") -> Tree:
    """The resource without references to any of these, without the versions' numbers and its narrative."""
    kept: Tree = _masked({name: value for name, value in tree.items() if name != "text"}, gone, base)
    return rewrite(kept, lambda address: _NOBODY if local_target(address, base) in gone else address)


def _goes(newest: Seen, gone: Collection[str], base: str) -> bool:
    tree, keys = newest.tree, newest.keys
    match tree["resourceType"]:
        case "Provenance":
            about = {key.target for key in keys.references if key.name == "Provenance.target"}
            owned = {one for one in about if is_owned(one.partition("/")[0])}
            return bool(owned) and owned <= {*gone}
        case "Device":
            return bool(_named(tree.get("patient"), base).intersection(gone))
        case "Binary":
            return bool(_named(tree.get("securityContext"), base).intersection(gone))
        case _:
            return f"Patient/{keys.patient}" in gone


def _named(reference: Any, base: str) -> set[str]:
    return addresses({"resourceType": "Reference", "at": reference}, base) if reference else set()


def _masked(node: Any, gone: Collection[str], base: str) -> Any:
    if isinstance(node, list):
        return [_masked(one, gone, base) for one in node]
    if not isinstance(node, dict):
        return node
    if local_target(str(node.get("reference", "")), base) in gone:
        return _MASKED
    return {name: _masked(value, gone, base) for name, value in _members(node)}


def _members(node: Tree) -> Iterator[tuple[str, Any]]:
    """The members of an object; of a contained resource without its narrative."""
    return ((name, value) for name, value in node.items() if name != "text" or "resourceType" not in node)

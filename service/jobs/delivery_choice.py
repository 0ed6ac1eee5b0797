"""What of what is stored goes to a destination, by its filter."""

from functools import cache

import msgspec

from service.fhir import json
from service.fhir.json import Tree
from service.fhir.references import local_target
from service.fhir.search_parameters import stored_types
from service.jobs.destination import Destination, Filter
from service.records.parts import identifiers, target
from service.shipped import shipped
from service.store.contract import Store

__all__ = ["contents", "is_chosen", "is_meant", "members", "types_of"]

_OURS = frozenset({"AuditEvent", "Subscription"})
"""What is about this service, not about what is stored."""


@cache
def contents() -> dict[str, frozenset[str]]:
    """The contents there are: names of the profiles of each."""
    read = (shipped("mappings", "delivery") / "contents.json").read_bytes()
    return msgspec.json.decode(read, type=dict[str, frozenset[str]])


def types_of(destination: Destination) -> list[str]:
    """The types that go to a destination."""
    wanted = (() if destination.gets_messages else destination.filter.types) or stored_types()
    return sorted(set(wanted) - _OURS)


def is_chosen(tree: Tree, chosen: Filter) -> bool:
    """Whether a resource is of the contents that are chosen, or of none."""
    if not chosen.contents:
        return True
    claimed = {str(one).rpartition("/")[2] for one in tree.get("meta", {}).get("profile", ())}
    kinds = {name for name, profiles in contents().items() if claimed & profiles}
    return not kinds or bool(kinds & set(chosen.contents))


async def is_meant(store: Store, chosen: Filter, patient: str) -> bool:
    """Whether a patient is one of those whose resources go."""
    if not patient:
        return True
    if chosen.group and patient not in await members(store, chosen.group):
        return False
    if not chosen.identifier_system:
        return True
    stored = await store.read("Patient", patient)
    if stored is None or stored.deleted:
        return False
    return chosen.identifier_system in {system for system, _ in identifiers(json.reread(stored.content))}


async def members(store: Store, group: str) -> list[str]:
    """The ids of the Patients in a Group; nobody if there is none."""
    stored = await store.read("Group", group)
    if stored is None or stored.deleted:
        return []
    told = (one for one in json.reread(stored.content).get("member", ()) if not one.get("inactive"))
    targets = (local_target(target(one.get("entity"))) for one in told)
    return [one.removeprefix("Patient/") for one in targets if one.startswith("Patient/")]

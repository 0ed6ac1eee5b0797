"""Taking a change back: what it changed becomes what it was, and nothing else.

Pure. Undoing is by element, so what others changed meanwhile stays, and can't be overwritten unseen.
"""

from collections.abc import Mapping

from service.records.decision import DECISIONS, SUMMARIES
from service.records.parts import identifiers
from service.records.sameness import same_content
from service.records.stored import Resource

__all__ = ["changed_elements", "foreign_elements", "overwritten", "undone", "withdrawn"]

_SILENT = {"id", "meta", "text"}
_DECIDED: Mapping[str, frozenset[str]] = {
    "Goal": frozenset({"lifecycleStatus", "achievementStatus", "statusDate", "statusReason"}),
    "Encounter": frozenset({"extension"}),
    "Observation": frozenset({"status", "valueCodeableConcept", "dataAbsentReason", "component"}),
    "DocumentReference": frozenset({"status"}),
}
"""The elements that decisions are about."""


def changed_elements(before: Resource, after: Resource) -> frozenset[str]:
    """The elements at the top in which two versions differ; id, meta and narrative aside."""
    return frozenset(
        name for name in before.keys() | after.keys() if name not in _SILENT and _differ(name, before, after)
    )


def foreign_elements(type_: str, names: frozenset[str]) -> frozenset[str]:
    """Those of the elements that no decision changes."""
    return names - _DECIDED.get(type_, frozenset())


def overwritten(current: Resource, after: Resource, names: frozenset[str]) -> frozenset[str]:
    """Those of the elements that say something else now than they did ``after`` the change."""
    return frozenset(name for name in names if _differ(name, current, after))


def undone(current: Resource, before: Resource, after: Resource) -> Resource:
    """The current resource with the elements that differ ``before`` and ``after`` as they were before.

    The narrative is that of before, unless others wrote a new one meanwhile: then there is none.
    """
    names = changed_elements(before, after)
    rest = {name: value for name, value in current.items() if name not in {*names, "text"}}
    back = {name: value for name, value in before.items() if name in names}
    text = {"text": before["text"]} if "text" in before and not _differ("text", current, after) else {}
    return {**rest, **text, **back}


def withdrawn(added: Resource) -> Resource | None:
    """What a decision added to the file, taken back; None if no decision did."""
    if not any(system in (DECISIONS, SUMMARIES) for system, _ in identifiers(added)):
        return None
    return {**added, "status": "entered-in-error"}


def _differ(name: str, one: Resource, other: Resource) -> bool:
    if (name in one) != (name in other):
        return True
    return not same_content({"": one.get(name)}, {"": other.get(name)})

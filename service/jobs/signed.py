"""What of a patient's changes may leave for the record: nothing preliminary."""

from collections.abc import Sequence

from service.fhir import json
from service.fhir.json import Tree
from service.fhir.references import local_target
from service.jobs.delivery_sender import Change
from service.records.identity import Names
from service.records.parts import target
from service.records.preliminary import belongs, preliminary_records, says_preliminary
from service.store.contract import Store
from service.store.pages import about, every

__all__ = ["final"]


async def final(store: Store, patient: str, changes: Sequence[Change]) -> list[Change]:
    """Answer the changes that may be sent: the others wait until their visit is signed."""
    waiting = await _waiting(store, patient) if patient and changes else ()
    free = [one for one in changes if not says_preliminary(one.tree) and not belongs(one.tree, waiting)]
    if not waiting:
        return free
    return [one for one in free if not await _tells_of_waiting(store, one.tree, waiting)]


async def _waiting(store: Store, patient: str) -> tuple[Names, ...]:
    """The records of a patient that wait for a signature."""
    visits = [json.reread(one.content) async for one in every(store, about("Encounter", patient))]
    return preliminary_records(visits)


async def _tells_of_waiting(store: Store, tree: Tree, waiting: Sequence[Names]) -> bool:
    """Whether it is a Provenance of something that waits."""
    for one in tree.get("target", ()) if tree["resourceType"] == "Provenance" else ():
        type_, _, id_ = local_target(target(one)).partition("/")
        stored = await store.read(type_, id_) if id_ else None
        if stored is not None and not stored.deleted and belongs(json.reread(stored.content), waiting):
            return True
    return False

"""What somebody is called who is named by a reference."""

from service.fhir.json import reread
from service.page import facts
from service.store.contract import Store

__all__ = ["called"]


async def called(store: Store, reference: str) -> str:
    """The name behind a reference (``Practitioner/1``); empty for nobody on file."""
    type_, _, id_ = reference.partition("/")
    stored = await store.read(type_, id_) if id_ else None
    return facts.name(reread(stored.content)) if stored and not stored.deleted else ""

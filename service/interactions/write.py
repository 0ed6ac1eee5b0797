"""The create, update and delete interactions, plain and conditional (FHIR R4 http.html)."""

from dataclasses import dataclass
from typing import Literal

from service.interactions.context import Context
from service.store.contract import Store, Version

__all__ = ["Applied", "create", "delete", "delete_matching", "update", "update_matching"]


@dataclass(frozen=True, slots=True)
class Applied:
    """What became of one request; ``version`` is the newest version, None if there was nothing to delete."""

    outcome: Literal["created", "updated", "unchanged", "deleted"]
    version: Version | None


async def create(
    store: Store, type_: str, body: bytes, *, context: Context, if_none_exist: str | None = None
) -> Applied:
    """Store a new resource under a new id; ``if_none_exist`` is the If-None-Exist search text.

    With one match nothing is written and the match is answered as ``unchanged``; several matches are
    PreconditionFailed.
    """


async def update(
    store: Store, type_: str, id_: str, body: bytes, *, context: Context, if_match: str | None = None
) -> Applied:
    """Write the next version of a resource, or the first under this id (also after a deletion).

    ``if_match`` is the If-Match header; PreconditionFailed if the current version is another one. Content
    equal to what is stored writes nothing.
    """


async def update_matching(
    store: Store, type_: str, criteria: str, body: bytes, *, context: Context, if_match: str | None = None
) -> Applied:
    """Conditional update: ``criteria`` is the query text (``identifier=system|value``)."""


async def delete(
    store: Store, type_: str, id_: str, *, context: Context, if_match: str | None = None
) -> Applied:
    """Delete; a resource that is not there or already deleted is no error (``version`` None or the deletion)."""


async def delete_matching(store: Store, type_: str, criteria: str, *, context: Context) -> Applied:
    """Conditional delete of at most one match; several are PreconditionFailed."""

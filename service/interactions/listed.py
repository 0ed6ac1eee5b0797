"""``_list``: what a stored List holds (FHIR R4 search.html, Lists)."""

from collections.abc import Sequence

from service.errors import TooCostly
from service.fhir.json import reread
from service.fhir.references import local_target
from service.fhir.search_query import Clause
from service.interactions.context import Context
from service.interactions.search_control import bad
from service.store.contract import Store, Transaction

__all__ = ["LIST", "listed"]

LIST = "_list"
_MOST = 5_000
"""Entries of lists that one search looks at."""
_NOBODY = ("",)  # an id that no resource has


async def listed(
    store: Store | Transaction, params: Sequence[tuple[str, str]], types: Sequence[str], *, context: Context
) -> tuple[Clause, ...]:
    """Answer a condition for each ``_list`` of a search on one type; who asks needs the right to read Lists.

    A List that is not there holds nothing. Entries marked as deleted are not in it any more.
    """
    values = [value for name, value in params if name == LIST]
    if values and len(types) > 1:
        raise bad(LIST, "it is for a search of one type")
    return tuple([await _condition(store, value, types[0], context) for value in values])


async def _condition(store: Store | Transaction, value: str, type_: str, context: Context) -> Clause:
    context.allow("r", "List")
    ids: dict[str, None] = {}
    for one in value.split(","):
        name = one.removeprefix("List/")
        if not name or name.startswith("$"):
            raise bad(LIST, "it is the id of a stored List; lists such as $current-problems are not kept")
        ids |= dict.fromkeys(await _members(store, name, type_, context))
    if len(ids) > _MOST:
        raise TooCostly(f"More than {_MOST} resources are in the List; ask for them by their ids.")
    return Clause(("Resource._id",), "id", tuple(ids) or _NOBODY)


async def _members(store: Store | Transaction, list_id: str, type_: str, context: Context) -> list[str]:
    """The ids of the resources of a type that a List holds."""
    version = await store.read("List", list_id)
    if version is None or version.deleted:
        return []
    entries = [one for one in reread(version.content).get("entry", ()) if not one.get("deleted")]
    targets = [local_target(one["item"].get("reference", ""), context.base) for one in entries]
    return [target.partition("/")[2] for target in targets if target.startswith(f"{type_}/")]

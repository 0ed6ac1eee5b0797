"""The create, update and delete interactions, plain and conditional (FHIR R4 http.html)."""

import codecs
from dataclasses import replace

from service.fhir.json import parse
from service.interactions.apply import permit
from service.interactions.context import Context
from service.interactions.entry import Applied, Entry, check, known_type, usable
from service.interactions.origin import apply_one
from service.store.contract import Store, Transaction

__all__ = ["Applied", "create", "delete", "delete_matching", "update", "update_matching"]


async def create(
    store: Store, type_: str, body: bytes, *, context: Context, if_none_exist: str | None = None
) -> Applied:
    """Store a new resource under a new id; ``if_none_exist`` is the If-None-Exist search text.

    With one match nothing is written and the match is answered as ``unchanged``; several matches are
    PreconditionFailed. InvalidInput carries every problem of the body.
    """
    return await _write(store, Entry("POST", type_, if_none_exist=if_none_exist), body, context)


async def update(  # noqa: PLR0913 - what the request consists of
    store: Store,
    type_: str,
    id_: str,
    body: bytes,
    *,
    context: Context,
    if_match: str | None = None,
    if_none_match: str | None = None,
) -> Applied:
    """Write the next version of a resource, or the first under this id (also after a deletion).

    ``if_match`` is the If-Match header; PreconditionFailed if the current version is another one.
    ``if_none_match`` is If-None-Match; with ``*`` it is PreconditionFailed if there is any. Content equal to
    what is stored writes nothing.
    """
    entry = Entry("PUT", f"{type_}/{id_}", if_match=if_match, if_none_match=if_none_match)
    return await _write(store, entry, body, context)


async def update_matching(  # noqa: PLR0913 - what the request consists of
    store: Store, type_: str, criteria: str, body: bytes, *, context: Context, if_match: str | None = None
) -> Applied:
    """Conditional update: ``criteria`` is the query text (``identifier=system|value``).

    One match is updated, none creates; several are PreconditionFailed, an id in the body that contradicts is
    InvalidInput or Conflict.
    """
    return await _write(store, Entry("PUT", f"{type_}?{criteria}", if_match=if_match), body, context)


async def delete(
    store: Store, type_: str, id_: str, *, context: Context, if_match: str | None = None
) -> Applied:
    """Delete; a resource that is not there or already deleted is no error.

    ``version`` is the deletion, None if the id was never used.
    """
    known_type(type_)
    return await _one(store, Entry("DELETE", f"{type_}/{id_}", if_match=if_match), context)


async def delete_matching(
    store: Store, type_: str, criteria: str, *, context: Context, if_match: str | None = None
) -> Applied:
    """Conditional delete of at most one match; several are PreconditionFailed."""
    known_type(type_)
    return await _one(store, Entry("DELETE", f"{type_}?{criteria}", if_match=if_match), context)


async def _write(store: Store, entry: Entry, body: bytes, context: Context) -> Applied:
    known_type(entry.type)
    tree = parse(body, max_depth=context.max_depth)
    return await _one(
        store, replace(entry, resource=tree, content=body.removeprefix(codecs.BOM_UTF8)), context
    )


async def _one(store: Store, entry: Entry, context: Context) -> Applied:
    permit([entry], context=context)
    usable(entry)
    (entry,) = check([entry], context=context)

    async def work(txn: Transaction) -> Applied:
        return await apply_one(txn, entry, context=context)

    return await store.write(f"{entry.method} {entry.type}", work)

"""``$meta``, ``$meta-add`` and ``$meta-delete`` (FHIR R4 resource-operations.html).

Adding and taking away write a new version, whose content differs in ``meta`` alone: who changed a label, and
when, stays in the history like everything else.
"""

from collections.abc import Callable, Iterable

from service.fhir.json import Tree, dump, reread, with_member
from service.fhir.labels import with_more, without
from service.interactions.apply import keys_of
from service.interactions.context import Context
from service.interactions.matching import check_tag
from service.interactions.permitted import permitted
from service.interactions.read import read
from service.store.contract import Label, Store, Transaction, Version

__all__ = ["add_labels", "labels_in_use", "read_labels", "take_labels"]


async def read_labels(store: Store, type_: str, id_: str, *, context: Context) -> bytes:
    """Answer the meta of the current version."""
    return _answer(await read(store, type_, id_, context=context))


async def labels_in_use(store: Store, types: Iterable[str], *, context: Context) -> bytes:
    """Answer the labels of all current resources of ``types``, as far as the caller may read them.

    Those of a Binary that its security context keeps from the caller may be among them. Without any there is
    no parameter, as a Meta can't be empty.
    """
    found = sorted(await store.labels(permitted(types, "r", context=context)))
    named = {
        "profile": [label.code for label in found if label.name == "profile"],
        "security": [_coding(label) for label in found if label.name == "security"],
        "tag": [_coding(label) for label in found if label.name == "tag"],
    }
    meta = {name: values for name, values in named.items() if values}
    return _returned(meta) if meta else dump({"resourceType": "Parameters"})


def _coding(label: Label) -> Tree:
    return {"system": label.system, "code": label.code} if label.system else {"code": label.code}


async def add_labels(  # noqa: PLR0913 - what the request consists of
    store: Store, type_: str, id_: str, more: Tree, *, if_match: str | None, context: Context
) -> bytes:
    """Add what the Meta ``more`` holds and the resource lacks; answer what it has then."""
    return await _change(store, type_, id_, lambda meta: with_more(meta, more), if_match, context=context)


async def take_labels(  # noqa: PLR0913 - what the request consists of
    store: Store, type_: str, id_: str, less: Tree, *, if_match: str | None, context: Context
) -> bytes:
    """Take away what the Meta ``less`` names; answer what is left."""
    return await _change(store, type_, id_, lambda meta: without(meta, less), if_match, context=context)


async def _change(  # noqa: PLR0913 - what the request consists of
    store: Store,
    type_: str,
    id_: str,
    change: Callable[[Tree], Tree],
    if_match: str | None,
    *,
    context: Context,
) -> bytes:
    context.allow("u", type_)

    async def work(txn: Transaction) -> Version:
        newest = await read(txn, type_, id_, context=context)
        check_tag(if_match, newest)
        tree = reread(newest.content)
        meta = change(tree["meta"])
        if meta == tree["meta"]:
            return newest
        keys = keys_of({**tree, "meta": meta}, id_, context)
        return await txn.put(type_, id_, with_member(newest.content, "meta", meta), keys)

    return _answer(await store.write(f"meta {type_}", work))


def _answer(version: Version) -> bytes:
    return _returned(reread(version.content)["meta"])


def _returned(meta: Tree) -> bytes:
    return dump({"resourceType": "Parameters", "parameter": [{"name": "return", "valueMeta": meta}]})

"""Carrying out writes inside one open transaction (FHIR R4 http.html, transaction processing rules)."""

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from service.errors import Conflict, InvalidInput
from service.fhir.json import Tree, dump_headed, reread, sorted_text, with_member
from service.fhir.labels import with_labels_of
from service.fhir.references import local_target, reference_texts
from service.fhir.search_keys import ReferenceKey, SearchKeys, extract
from service.interactions.addresses import addresses, redirect, resolve
from service.interactions.context import Action, Context
from service.interactions.entry import Applied, Entry, placed
from service.interactions.forms import check_forms
from service.interactions.integrity import check_references
from service.interactions.matching import Matches, check_no_tag, check_tag, one_match
from service.interactions.targets import Target, no_resource_twice, target_of
from service.store.contract import Transaction

__all__ = ["Same", "apply", "keys_of", "permit", "same_content", "without_version"]

Same = Callable[[Tree, Tree], bool]
"""Whether the stored tree (first) and the new one say the same, so that nothing need be written."""

_ANY_REFERENCE = "*"
"""The name under which references are filed where they are enforced."""
_ACTIONS: dict[str, Action] = {"GET": "r", "HEAD": "r", "POST": "c", "PUT": "u", "PATCH": "u", "DELETE": "d"}


def permit(requests: Iterable[Entry], *, context: Context) -> None:
    """Ask ``context.allow`` for every request before anything is done; Forbidden names the entry."""
    for request in requests:
        with placed(request.index):
            if not request.type or "_history" in request.steps[:2] or request.member or request.operation:
                continue  # which types it may list is asked when it is read, operations are asked for apart
            searching = request.reads and not request.id
            context.allow("s" if searching else _ACTIONS[request.method], request.type)
            if request.criteria is not None or request.if_none_exist:
                context.allow("s", request.type)


async def apply(
    txn: Transaction, requests: Sequence[Entry], *, context: Context, same: Same | None = None
) -> list[Applied]:
    """Carry out writes inside ``txn``: deletions first, then the rest. Answers in the order of ``requests``.

    The resources must have been checked before. References to other entries' fullUrls and conditional
    references are written as where they point; the trees of the requests stay as they are, so that a store
    may run the work again. ``same(stored, new)`` decides whether an update would change anything; by default
    all but id and version count.
    """
    for request in requests:
        with placed(request.index):
            _not_reserved(request.type, request.id, context)
    results: dict[int, Applied] = {}
    for place, request in enumerate(requests):
        if request.method == "DELETE":
            with placed(request.index):
                results[place] = await _delete(txn, request, context)
    targets = await _targets(txn, requests, context)
    no_resource_twice(targets.values(), results.values())
    known = addresses(targets.values())
    waiting: list[int] = []
    for place, target in targets.items():
        with placed(target.entry.index):
            tree, asks = redirect(target.entry.tree, known)
            if asks:  # what it refers to may be written by the others
                waiting.append(place)
            else:
                results[place] = await _write(txn, target, tree, context, same or same_content)
    for place in waiting:
        target = targets[place]
        with placed(target.entry.index):
            await resolve(txn, target.entry.tree, known, context=context)
            tree, _ = redirect(target.entry.tree, known)
            results[place] = await _write(txn, target, tree, context, same or same_content)
    done = [results[place] for place in range(len(requests))]
    if context.enforce_references:
        await check_references(txn, requests, done, context=context)
    return await check_forms(txn, requests, done, context=context)


async def _targets(txn: Transaction, requests: Sequence[Entry], context: Context) -> dict[int, Target]:
    """What each request that writes is about, by its place; looked for before anything is written."""
    writes = {place: request for place, request in enumerate(requests) if request.method != "DELETE"}
    matches = Matches(txn, context)
    await matches.look_ahead(writes.values())
    targets: dict[int, Target] = {}
    for place, request in writes.items():
        with placed(request.index):
            targets[place] = await target_of(txn, request, matches, context=context)
    await txn.expect([(target.entry.type, target.id) for target in targets.values()])
    return targets


def without_version(tree: Tree) -> Tree:
    """Answer the tree without what a server sets: id, meta.versionId, meta.lastUpdated."""
    kept = {
        name: value
        for name, value in tree.get("meta", {}).items()
        if name not in {"versionId", "lastUpdated"}
    }
    rest = {name: value for name, value in tree.items() if name not in {"id", "meta"}}
    return {**rest, "meta": kept} if kept else rest


def same_content(old: Tree, new: Tree) -> bool:
    """Whether two trees differ at most in what a server sets; ``72.50`` and ``72.5`` do differ."""
    return sorted_text(without_version(old)) == sorted_text(without_version(new))


async def _delete(txn: Transaction, request: Entry, context: Context) -> Applied:
    if request.criteria is not None:
        newest = await one_match(txn, request.type, request.criteria, context=context)
    else:
        newest = await txn.read(request.type, request.id)
    check_tag(request.if_match, newest)
    if newest is None:
        return Applied("deleted", None)
    _not_reserved(newest.type, newest.id, context)
    return Applied("deleted", await txn.delete(newest.type, newest.id))


async def _write(txn: Transaction, target: Target, tree: Tree, context: Context, same: Same) -> Applied:
    entry = target.entry
    if target.existing is not None:
        return Applied("unchanged", target.existing)
    _not_reserved(entry.type, target.id, context)
    newest = await txn.read(entry.type, target.id)
    check_tag(entry.if_match, newest)
    check_no_tag(entry.if_none_match, newest)
    text = entry.content if tree is entry.tree else None
    if newest is not None and not newest.deleted:
        before = reread(newest.content)
        labelled = with_labels_of(before, tree)
        if same(before, labelled):
            return Applied("unchanged", newest, entry.issues)
        if text is not None and labelled is not tree:
            text = with_member(text, "meta", labelled["meta"])
        tree = labelled
    text = dump_headed(tree) if text is None else text
    method: Literal["POST", "PUT"] = "POST" if entry.method == "POST" else "PUT"
    version = await txn.put(entry.type, target.id, text, keys_of(tree, target.id, context), method=method)
    outcome: Literal["created", "updated"] = "created" if newest is None or newest.deleted else "updated"
    if context.subscribing is not None and entry.type == "Subscription":
        await txn.keep_subscriber(version, context.subscribing.asker(), fresh=outcome == "created")
    return Applied(outcome, version, entry.issues)


def _not_reserved(type_: str, id_: str, context: Context) -> None:
    if context.reserved(type_, id_):
        raise Conflict("This id belongs to a definition of the service's own, which can't be changed.")


def keys_of(tree: Tree, id_: str, context: Context) -> SearchKeys:
    """What the resource is found by under this id; InvalidInput if a date in it is none that exists."""
    try:
        keys = extract({**tree, "id": id_}, zone=context.zone, base=context.base)
    except ValueError as error:
        raise InvalidInput(f"{error}.") from error
    if context.enforce_references:
        keys = keys._replace(references=(*keys.references, *_every_reference(tree, context)))
    return keys


def _every_reference(tree: Tree, context: Context) -> list[ReferenceKey]:
    """Keys of all references below the base, also those no search parameter finds."""
    targets = dict.fromkeys(local_target(text, context.base) for text in reference_texts(tree))
    return [ReferenceKey(_ANY_REFERENCE, target) for target in targets if target]

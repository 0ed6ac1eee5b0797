"""Batch and transaction Bundles (FHIR R4 http.html, batch/transaction)."""

from http import HTTPStatus
from typing import Literal
from urllib.parse import parse_qsl

from service.errors import InvalidInput, Issue, IssueType, ServiceError, TooLarge
from service.fhir.bundle import Item, bundle
from service.fhir.datetimes import interval
from service.fhir.json import Tree, parse
from service.fhir.outcome import operation_outcome
from service.fhir.summary import Subset, part, subset_of
from service.interactions import read as reads
from service.interactions.apply import Same, apply, permit, same_content, without_version
from service.interactions.aside import aside
from service.interactions.context import Context
from service.interactions.entry import Applied, Entry, check, entries, nodes, placed, read_entry
from service.interactions.entry_operations import NoOperations, Operations
from service.interactions.history import history
from service.interactions.search import search, search_compartment, search_everything
from service.store.contract import Store, Transaction, Version

__all__ = [
    "Applied",
    "Entry",
    "Return",
    "Same",
    "apply",
    "check",
    "entries",
    "process",
    "same_content",
    "without_version",
]

Return = Literal["minimal", "representation", "OperationOutcome"]
"""What ``Prefer: return=`` may ask for."""

_ABOUT_THE_ANSWER = frozenset({"_format", "_pretty"})
"""Which form the answer takes: that of the Bundle around it."""
_MOST_ANSWERED = 50_000_000
"""Bytes of resources in one answer, after which nothing more is read for it: many small searches in one
Bundle could else ask for the store many times over."""

_BUNDLE_DEPTH = 4
"""Levels a resource inside a Bundle stands deeper than on its own."""


_NO_OPERATIONS = NoOperations()


async def process(
    store: Store,
    body: bytes,
    *,
    context: Context,
    prefer: Return = "minimal",
    operations: Operations = _NO_OPERATIONS,
) -> bytes:
    """Carry out a batch or transaction Bundle and answer the response Bundle, entries in the request's order.

    A transaction that fails raises (issues name the entry) and leaves nothing; in a batch each entry has its
    own outcome. Operations in a transaction read what it has written, as its reads and searches do.
    """
    tree = await aside(parse, body, max_depth=context.max_depth + _BUNDLE_DEPTH)
    if tree.get("resourceType") != "Bundle":
        raise InvalidInput("The body must be a Bundle.", expression="resourceType")
    if tree.get("type") == "batch":
        return await _batch(store, tree, context, prefer, operations)
    if tree.get("type") == "transaction":
        return await _transaction(store, tree, context, prefer, operations)
    raise InvalidInput(
        "Only Bundles of type transaction or batch are accepted here.", expression="Bundle.type"
    )


async def _transaction(
    store: Store, tree: Tree, context: Context, prefer: Return, operations: Operations
) -> bytes:
    requests = await aside(_checked, tree, context)
    for request in requests:
        if request.operation:
            with placed(request.index):
                operations.permit(request, inside=True)

    async def work(txn: Transaction) -> list[Item]:
        writes = [request for request in requests if not request.reads]
        done = dict(zip((id(one) for one in writes), await apply(txn, writes, context=context), strict=True))
        answers = _Answers()
        for request in requests:
            if id(request) in done:
                answers.add(_answer(done[id(request)], prefer))
            elif request.operation:
                answers.add(await _operated(operations, request, answers, txn))
            else:
                answers.add(await _get(txn, request, context, answers))
        return answers.items

    return bundle("transaction-response", await store.write("transaction", work))


def _checked(tree: Tree, context: Context) -> tuple[Entry, ...]:
    requests = entries(tree, context=context)
    permit(requests, context=context)
    _no_address_twice(requests)
    return check(requests, context=context)


async def _batch(store: Store, tree: Tree, context: Context, prefer: Return, operations: Operations) -> bytes:
    answers = _Answers()
    for index, node in enumerate(nodes(tree, context=context)):
        try:
            request = read_entry(index, node, context=context)
            if request.operation:
                operations.permit(request, inside=False)
                answers.add(await _operated(operations, request, answers))
            else:
                answers.add(await _batch_entry(store, request, context, prefer, answers))
        except ServiceError as error:
            outcome = operation_outcome(error.issues)
            answers.add(_item(error.status, outcome=outcome))
    return bundle("batch-response", answers.items)


async def _batch_entry(
    store: Store, request: Entry, context: Context, prefer: Return, answers: "_Answers"
) -> Item:
    permit([request], context=context)
    if request.reads:
        return await _get(store, request, context, answers, store)
    (request,) = check([request], context=context)

    async def work(txn: Transaction) -> Applied:
        (applied,) = await apply(txn, [request], context=context)
        return applied

    return _answer(await store.write(f"batch {request.method} {request.type}", work), prefer)


class _Answers:
    """The entries of an answer so far, and how much they hold."""

    def __init__(self) -> None:
        self.items: list[Item] = []
        self._size = 0

    def add(self, item: Item) -> None:
        self.items.append(item)
        self._size += len(item.resource)

    def need_room(self) -> None:
        """TooLarge if nothing more should be read for this answer."""
        if self._size > _MOST_ANSWERED:
            text = (
                f"The entries before this one found more than {_MOST_ANSWERED} bytes; ask for the rest apart."
            )
            raise TooLarge(Issue(text, code=IssueType.TOO_COSTLY))


async def _get(
    source: Store | Transaction,
    request: Entry,
    context: Context,
    answers: _Answers,
    versions: Store | None = None,
) -> Item:
    """A read, search or history among the entries; ``versions`` is needed for the latter."""
    with placed(request.index):
        answers.need_room()
        steps = request.steps
        params = [
            pair
            for pair in parse_qsl(request.criteria or "", keep_blank_values=True)
            if pair[0] not in _ABOUT_THE_ANSWER
        ]
        if not request.type:
            return _found(request, await search_everything(source, params, context=context))
        if request.member:
            focus = (request.type, request.id)
            return _found(
                request, await search_compartment(source, focus, request.member, params, context=context)
            )
        if "_history" not in steps and len(steps) == 1:
            return _found(request, await search(source, request.type, params, context=context))
        if "_history" not in steps:
            version = await reads.read(source, request.type, request.id, context=context)
        elif versions is None:
            raise InvalidInput("Inside a transaction only current resources can be read, not their history.")
        elif steps[-1] == "_history":
            type_ = "" if request.type == "_history" else request.type
            return _found(
                request, await history(versions, params, type_=type_, id_=request.id, context=context)
            )
        else:
            version = await reads.vread(versions, steps[0], steps[1], steps[3], context=context)
        if _has_it(request, version, context):
            return _item(304, version)
        return _found(request, part(version.content, _subset(dict(params))), version)


async def _operated(
    operations: Operations, request: Entry, answers: _Answers, source: Transaction | None = None
) -> Item:
    with placed(request.index):
        answers.need_room()
        return _found(request, await operations.answer(request, source))


def _found(request: Entry, content: bytes, version: Version | None = None) -> Item:
    """What a GET answers; HEAD leaves the resource out."""
    return _item(200, version, resource=b"" if request.method == "HEAD" else content)


def _subset(params: dict[str, str]) -> Subset:
    try:
        return subset_of(params.get("_summary", ""), params.get("_elements", ""))
    except ValueError as error:
        raise InvalidInput(f"{error}.") from error


def _has_it(request: Entry, version: Version, context: Context) -> bool:
    """Whether the caller said it holds this version (ifNoneMatch) or none older (ifModifiedSince)."""
    if request.if_none_match is not None:
        return request.if_none_match.strip() == "*" or version.etag[2:] in request.if_none_match
    if request.if_modified_since is None:
        return False
    try:
        since = interval(request.if_modified_since, context.zone)
    except ValueError as error:
        raise InvalidInput(f"ifModifiedSince: {error}.") from error
    return interval(version.last_updated, context.zone)[0] < since[1]


def _no_address_twice(requests: tuple[Entry, ...]) -> None:
    seen: set[str] = set()
    for request in requests:
        if request.full_url and request.full_url in seen:
            with placed(request.index):
                raise InvalidInput(
                    Issue("Another entry has the same fullUrl; each needs its own.", code=IssueType.DUPLICATE)
                )
        seen.add(request.full_url)


def _answer(applied: Applied, prefer: Return) -> Item:
    version = applied.version
    if version is None or version.deleted:
        return _item(204, version)
    status = 201 if applied.outcome == "created" else 200
    if prefer == "representation":
        return _item(status, version, resource=version.content)
    return _item(
        status, version, outcome=operation_outcome(applied.issues) if prefer == "OperationOutcome" else None
    )


def _item(
    status: int, version: Version | None = None, *, resource: bytes = b"", outcome: Tree | None = None
) -> Item:
    response: Tree = {"status": f"{status} {HTTPStatus(status).phrase}"}
    if version is not None:
        if not version.deleted:
            response["location"] = f"{version.type}/{version.id}/_history/{version.version}"
        response |= {"etag": version.etag, "lastModified": version.last_updated}
    if outcome is not None:
        response["outcome"] = outcome
    return Item("", resource, {"response": response})

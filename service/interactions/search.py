"""The search interactions: on one type, in a compartment, on everything (FHIR R4 search.html, http.html)."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from service.errors import Forbidden, Issue, IssueType, NotFound, Place, Severity
from service.fhir.bundle import Item, bundle
from service.fhir.json import dump
from service.fhir.outcome import operation_outcome
from service.fhir.search_clauses import Asked, parse_clauses
from service.fhir.search_parameters import compartment, stored_types
from service.fhir.search_query import Clause, Condition, ReferenceValue
from service.fhir.summary import Subset, part
from service.interactions.code_lookup import look_up
from service.interactions.context import Context
from service.interactions.entry import known_type
from service.interactions.includes import MOST, MOST_BYTES, gather
from service.interactions.listed import LIST, listed
from service.interactions.matching import reader
from service.interactions.search_control import CONTROL, INCLUDES, Control, bad, read_control
from service.interactions.search_links import Links
from service.interactions.security_context import visible
from service.store.contract import Page, Query, Store, Transaction, Version

__all__ = ["search", "search_compartment", "search_everything"]

Params = Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class _Scope:
    """Where a search looks: its address below the base, the types, and what holds for all of them."""

    path: str
    types: tuple[str, ...]
    conditions: tuple[Condition, ...] = ()


async def search(store: Store | Transaction, type_: str, params: Params, *, context: Context) -> bytes:
    """Answer a searchset Bundle. ``params`` are the decoded query (and form) parameters in their order.

    InvalidInput names every parameter, modifier, prefix or value that can't be used; unknown parameters are
    left out instead when ``context.lenient``, which the Bundle then says. Paging links carry all parameters
    and the position of a match. A page of long resources has fewer than asked for.
    """
    known_type(type_)
    context.allow("s", type_)
    return await _search(store, _Scope(type_, (type_,)), params, context)


async def search_everything(store: Store | Transaction, params: Params, *, context: Context) -> bytes:
    """Search several types at once: those of ``_type``, or all that the caller may search.

    Only parameters that each of the types has can be used.
    """
    types = _named(params)
    for type_ in types:
        if type_ not in stored_types():
            raise bad("_type", f"'{type_[:64]}' is not a resource type this service stores")
        context.allow("s", type_)
    return await _search(store, _Scope("", types or _permitted(stored_types(), context)), params, context)


async def search_compartment(
    store: Store | Transaction, focus: tuple[str, str], type_: str, params: Params, *, context: Context
) -> bytes:
    """Search what belongs to a Patient, Encounter, Practitioner, RelatedPerson or Device.

    ``focus`` is the type and id of that one. ``type_`` is one type, or ``*`` for all that the caller may
    search. NotFound if the type is never part of such a compartment.
    """
    name, id_ = focus
    members = compartment(name)
    if type_ == "*":
        named = _named(params)
        for one in named:
            if one not in members:
                raise bad("_type", f"'{one[:64]}' is not part of a {name}'s compartment")
            context.allow("s", one)
        types = named or _permitted(tuple(members), context)
    elif type_ in members:
        context.allow("s", type_)
        types = (type_,)
    else:
        raise NotFound(f"There is no compartment of {name[:64]} with {type_[:64]} in it.")
    ways = (index for one in types for parameter in members[one] for index in parameter.indexes)
    mine = Clause(tuple(dict.fromkeys(ways)), "reference", (ReferenceValue((f"{name}/{id_}",)),))
    return await _search(store, _Scope(f"{name}/{id_}/{type_}", types, (mine,)), params, context)


def _named(params: Params) -> tuple[str, ...]:
    """The types that ``_type`` names, each once."""
    named = [value for name, value in params if name == "_type"]
    return tuple(dict.fromkeys(type_ for value in named for type_ in value.split(",")))


def _permitted(types: Iterable[str], context: Context) -> tuple[str, ...]:
    """The types the caller may search; Forbidden if there is none."""
    found: list[str] = []
    refusal: Forbidden | None = None
    for type_ in types:
        try:
            context.allow("s", type_)
        except Forbidden as error:
            refusal = error
        else:
            found.append(type_)
    if not found and refusal is not None:
        raise refusal
    return tuple(found)


async def _search(store: Store | Transaction, scope: _Scope, params: Params, context: Context) -> bytes:
    steering = [pair for pair in params if pair[0] in CONTROL]
    including = [pair for pair in params if pair[0].partition(":")[0] in INCLUDES]
    asides = [pair for pair in params if pair[0] == "_type" and scope.path[-1:] in {"", "*"}]
    lists = [pair for pair in params if pair[0] == LIST]
    filters = [pair for pair in params if pair not in (*steering, *including, *asides, *lists)]
    reading = replace(reader(context), codes=await look_up(store, filters, context=context))
    control = read_control(scope.types, steering, including, context)
    asked = parse_clauses(scope.types, filters, reader=reading, lenient=context.lenient)
    for type_ in asked.types:
        context.allow("s", type_)
    among = await listed(store, lists, scope.types, context=context)
    used = [*asides, *lists, *asked.used, *control.included]
    links = Links(f"{context.base}/{scope.path}".rstrip("/"), used, control.given)
    first, *also = scope.types
    page = await store.search(
        Query(
            first,
            (*scope.conditions, *among, *asked.clauses),
            control.sort,
            control.count,
            links.position("_after"),
            control.total,
            tuple(also),
            links.position("_before"),
            MOST_BYTES,
        )
    )
    included, complete = await gather(store, page.versions, control.includes, context=context)
    items = [
        *_items(visible(page.versions, context=context), "match", control.subset, context),
        *_items(included, "include", _of_included(control.subset), context),
        *_remarks(asked, complete=complete),
    ]
    return bundle("searchset", items, total=page.total, links=_links(links, page, control))


def _of_included(subset: Subset) -> Subset:
    """``_elements`` speaks of what was searched; a summary is one of everything."""
    return replace(subset, names=())


def _items(versions: Sequence[Version], mode: str, subset: Subset, context: Context) -> list[Item]:
    return [
        Item(
            f"{context.base}/{version.type}/{version.id}",
            part(version.content, subset),
            {"search": {"mode": mode}},
        )
        for version in versions
    ]


def _links(links: Links, page: Page, control: Control) -> list[tuple[str, str]]:
    found = [("self", links.here())]
    if not control.count:
        return found
    if control.given.keys() & {"_after", "_before"}:
        found.append(("first", links.first()))
    if page.previous_before is not None:
        found.append(("previous", links.to("_before", page.previous_before, control.count)))
    if page.next_after is not None:
        found.append(("next", links.to("_after", page.next_after, control.count)))
    return found


def _remarks(asked: Asked, *, complete: bool) -> list[Item]:
    """What the caller should know about the answer, as the OperationOutcome among the entries."""
    issues = [
        Issue(
            f"Search parameter '{name[:64]}' is not known here and was left out.",
            Severity.WARNING,
            IssueType.NOT_SUPPORTED,
            Place(expression=f"http.{name[:64]}"),
        )
        for name in asked.unknown
    ]
    if not complete:
        text = (
            "Not everything that belongs to this page could be included "
            f"(at most {MOST}, and {MOST_BYTES} bytes); ask for it apart."
        )
        issues.append(Issue(text, Severity.WARNING, IssueType.TOO_COSTLY))
    return [Item("", dump(operation_outcome(issues)), {"search": {"mode": "outcome"}})] if issues else []

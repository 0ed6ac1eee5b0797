"""The search interaction on one type (FHIR R4 search.html)."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from service.errors import InvalidInput, Issue, IssueType, Place, Severity
from service.fhir.bundle import Item, Link, bundle
from service.fhir.json import dump
from service.fhir.outcome import operation_outcome
from service.fhir.search_clauses import Asked, parse_clauses
from service.fhir.search_parameters import Sort, parameters
from service.interactions.context import Context
from service.interactions.entry import known_type
from service.interactions.matching import reader
from service.store.contract import Page, Query, Store, Transaction

__all__ = ["search"]

_MOST_SORTS = 5
_CONTROL = ("_count", "_sort", "_total", "_after")


@dataclass(frozen=True, slots=True)
class _Control:
    """What steers the answer rather than filters it, as asked for."""

    given: dict[str, str]
    count: int
    sort: tuple[Sort, ...]


async def search(
    store: Store | Transaction, type_: str, params: Sequence[tuple[str, str]], *, context: Context
) -> bytes:
    """Answer a searchset Bundle. ``params`` are the decoded query (and form) parameters in their order.

    InvalidInput names every parameter, modifier, prefix or value that can't be used; unknown parameters are
    left out instead when ``context.lenient``, which the Bundle then says. Paging links carry all parameters
    and an opaque ``_after``.
    """
    known_type(type_)
    context.allow("s", type_)
    control = _control(type_, [pair for pair in params if pair[0] in _CONTROL], context)
    filters = [pair for pair in params if pair[0] not in _CONTROL]
    asked = parse_clauses(type_, filters, reader=reader(context), lenient=context.lenient)
    after, total = control.given.get("_after", ""), control.given.get("_total", "accurate")
    page = await store.search(
        Query(
            type_,
            asked.clauses,
            control.sort,
            control.count,
            after,
            "none" if total == "none" else "accurate",
        )
    )
    return _bundle(type_, page, asked, control, context)


def _bundle(type_: str, page: Page, asked: Asked, control: _Control, context: Context) -> bytes:
    items = [
        Item(f"{context.base}/{type_}/{version.id}", version.content, {"search": {"mode": "match"}})
        for version in page.versions
    ]
    if asked.unknown:
        items.append(Item("", dump(_ignored(asked.unknown)), {"search": {"mode": "outcome"}}))
    return bundle("searchset", items, total=page.total, links=_links(type_, page, asked, control, context))


def _links(type_: str, page: Page, asked: Asked, control: _Control, context: Context) -> list[Link]:
    def url(**more: str) -> str:
        pairs = [*asked.used, *(control.given | more).items()]
        text = urlencode([(name, value) for name, value in pairs if value], safe=":,|/")
        return f"{context.base}/{type_}?{text}" if text else f"{context.base}/{type_}"

    links = [("self", url())]
    if control.given.get("_after"):
        links.append(("first", url(_after="")))
    if page.next_after is not None and control.count:
        links.append(("next", url(_after=page.next_after, _count=str(control.count))))
    return links


def _control(type_: str, params: Sequence[tuple[str, str]], context: Context) -> _Control:
    given: dict[str, str] = {}
    for name, value in params:
        if name in given:
            raise _bad(name, "it may be given once")
        given[name] = value
    text = given.get("_count", str(context.page_size))
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise _bad("_count", "it must be a whole number, 0 or more")
    if given.get("_total", "none") not in {"none", "estimate", "accurate"}:
        raise _bad("_total", "it must be none, estimate or accurate")
    return _Control(given, min(int(text), context.max_page_size), _sort(type_, given.get("_sort", "")))


def _sort(type_: str, text: str) -> tuple[Sort, ...]:
    table = parameters(type_)
    sorts: list[Sort] = []
    keys = text.split(",") if text else []
    if len(keys) > _MOST_SORTS:
        raise _bad("_sort", f"at most {_MOST_SORTS} keys can be used")
    for key in keys:
        parameter = table.get(key.removeprefix("-"))
        if parameter is None or parameter.kind not in {"id", "updated", "date"}:
            able = ", ".join(name for name, one in table.items() if one.kind in {"id", "updated", "date"})
            raise _bad("_sort", f"{type_} can be sorted by {able}, a '-' before it for falling order")
        sorts.append(Sort(parameter.index, key.startswith("-")))
    return tuple(sorts)


def _bad(name: str, why: str) -> InvalidInput:
    return InvalidInput(f"Search parameter '{name}': {why}.", expression=f"http.{name}")


def _ignored(names: Sequence[str]) -> dict[str, object]:
    return operation_outcome(
        Issue(
            f"Search parameter '{name[:64]}' is not known here and was left out.",
            Severity.WARNING,
            IssueType.NOT_SUPPORTED,
            Place(expression=f"http.{name[:64]}"),
        )
        for name in names
    )

"""``$everything``: a resource, its whole compartment, and what that refers to.

Source: FHIR R4 patient-operation-everything.html, encounter-operation-everything.html.

Pages hold the resource itself first, then its compartment in the order it was filed; people, places and
devices that a page's resources refer to stand on the same page with search mode ``include``.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.bundle import Item, Link, bundle
from service.fhir.datetimes import EARLIEST, LATEST, interval
from service.fhir.json import reread
from service.fhir.references import local_target, reference_texts
from service.fhir.search_keys import extract
from service.fhir.search_parameters import compartment, parameters, stored_types
from service.fhir.search_query import Clause, DateValue, ReferenceValue
from service.interactions.context import Context
from service.interactions.permitted import permitted
from service.interactions.read import read
from service.operations.arguments import Arguments
from service.store.contract import Page, Query, Store, Version

__all__ = ["everything"]

_CARE_DATES = (
    *("date", "occurrence", "authored", "effective", "effective-time", "onset-date", "start-date"),
    *("datetime", "created"),
)
"""The parameters that tell when care took place, the first that a type has."""
_UTC = ZoneInfo("UTC")


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked for: care that touches [low, high), of ``types`` (all if empty), written ``since``."""

    low: int
    high: int
    types: tuple[str, ...]
    since: int
    count: int
    after: str

    def takes(self, type_: str) -> bool:
        """Whether resources of a type are asked for."""
        return not self.types or type_ in self.types

    def is_new(self, version: Version) -> bool:
        """Whether a version was written since the moment asked for."""
        return interval(version.last_updated, _UTC)[0] >= self.since

    @property
    def dated(self) -> bool:
        """Whether dates matter."""
        return (self.low, self.high) != (EARLIEST, LATEST)


async def everything(  # noqa: PLR0913 - what the request consists of
    store: Store, type_: str, id_: str, given: Arguments, *, address: str, context: Context
) -> bytes:
    """Answer one page as a searchset. ``given`` are the operation's parameters, ``address`` its URL.

    NotFound or Gone if there is no such resource. Types the caller may not read are left out.
    """
    focus = await read(store, type_, id_, context=context)
    asked = _asked(given, context)
    page = await _page(store, f"{type_}/{id_}", asked, context)
    first = not asked.after and asked.takes(type_) and asked.is_new(focus)
    matches = [focus, *page.versions] if first else list(page.versions)
    also = await _supporting(store, [focus, *page.versions], type_, asked, context)
    items = [*_items(matches, "match", context), *_items(also, "include", context)]
    return bundle("searchset", items, links=_links(address, given, page, asked))


def _asked(given: Arguments, context: Context) -> _Asked:
    named = tuple(dict.fromkeys(one for text in given.get("_type", ()) for one in text.split(",")))
    for one in named:
        if one not in stored_types():
            raise _bad("_type", f"'{one[:64]}' is not a resource type this service stores")
    count = int(given["_count"][0]) if "_count" in given else context.max_page_size
    if count < 1:
        raise _bad("_count", "it must be 1 or more")
    return _Asked(
        _span("start", given, context)[0],
        _span("end", given, context)[1],
        named,
        _span("_since", given, context)[0],
        min(count, context.max_page_size),
        given.get("_after", [""])[0],
    )


async def _page(store: Store, reference: str, asked: _Asked, context: Context) -> Page:
    """The next of the compartment's resources, as many as asked for if there are."""
    members = compartment(reference.partition("/")[0])
    wanted = [one for one, ways in members.items() if ways and asked.takes(one)]
    types = permitted(wanted, "r", context=context) if wanted else ()
    if not types:
        return Page((), None, None)
    ways = dict.fromkeys(index for one in types for way in members[one] for index in way.indexes)
    mine = Clause(tuple(ways), "reference", (ReferenceValue((reference,)),))
    new = Clause(("_lastUpdated",), "updated", (DateValue("ge", asked.since, asked.since + 1),))
    conditions = (mine,) if asked.since == EARLIEST else (mine, new)
    found: list[Version] = []
    after: str | None = asked.after
    while after is not None and len(found) < asked.count:
        left = asked.count - len(found)
        page = await store.search(Query(types[0], conditions, (), left, after, "none", also=tuple(types[1:])))
        found += [
            one
            for one in page.versions
            if f"{one.type}/{one.id}" != reference and _in_time(one, asked, context)
        ]
        after = page.next_after
    return Page(tuple(found), None, after)


async def _supporting(
    store: Store, versions: Sequence[Version], type_: str, asked: _Asked, context: Context
) -> list[Version]:
    """What the versions refer to outside of the compartment, each once."""
    inside = {type_, *compartment(type_)}
    outside = [one for one in stored_types() if one not in inside and asked.takes(one)]
    readable = permitted(outside, "r", context=context) if outside else ()
    targets = dict.fromkeys(
        local_target(text, context.base)
        for version in versions
        for text in reference_texts(reread(version.content))
    )
    found = [
        await store.read(*target.split("/")) for target in targets if target.partition("/")[0] in readable
    ]
    return [one for one in found if one is not None and not one.deleted]


def _in_time(version: Version, asked: _Asked, context: Context) -> bool:
    """Whether the care a resource tells of touches the time asked for; without a date it is always there."""
    if not asked.dated:
        return True
    table = parameters(version.type)
    when = next((table[name] for name in _CARE_DATES if name in table and table[name].kind == "date"), None)
    if when is None:
        return True
    keys = extract(reread(version.content), zone=context.zone, base=context.base)
    spans = [(key.low, key.high) for key in keys.dates if key.name in when.indexes]
    return not spans or any(low < asked.high and high > asked.low for low, high in spans)


def _span(name: str, given: Arguments, context: Context) -> tuple[int, int]:
    """The time a parameter names; all of it if it is not given."""
    if name not in given:
        return EARLIEST, LATEST
    try:
        return interval(given[name][0].replace(" ", "+"), context.zone)
    except ValueError as error:
        raise _bad(name, str(error)) from error


def _items(versions: Sequence[Version], mode: str, context: Context) -> list[Item]:
    return [
        Item(f"{context.base}/{one.type}/{one.id}", one.content, {"search": {"mode": mode}})
        for one in versions
    ]


def _links(address: str, given: Arguments, page: Page, asked: _Asked) -> list[Link]:
    def url(**more: list[str]) -> str:
        pairs = [(name, value) for name, values in (given | more).items() for value in values]
        return f"{address}?{urlencode(pairs, safe=':')}" if pairs else address

    links = [("self", url())]
    if asked.after:
        links.append(("first", url(_after=[])))
    if page.next_after is not None:
        links.append(("next", url(_after=[page.next_after], _count=[str(asked.count)])))
    return links


def _bad(name: str, why: str) -> InvalidInput:
    return InvalidInput(
        Issue(f"Parameter '{name}': {why}.", code=IssueType.VALUE, place=Place(expression=f"http.{name}"))
    )

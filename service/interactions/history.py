"""The history interaction: of one resource, of a type, of everything (FHIR R4 http.html, history)."""

from collections.abc import Sequence
from urllib.parse import urlencode

from service.errors import InvalidInput, Issue, IssueType, NotFound, Place
from service.fhir.bundle import Item, Link, bundle
from service.fhir.datetimes import interval
from service.fhir.search_parameters import stored_types
from service.interactions.context import Context
from service.interactions.entry import known_type
from service.interactions.includes import MOST_BYTES
from service.interactions.permitted import permitted
from service.interactions.security_context import visible
from service.store.contract import History, Page, Store, Version

__all__ = ["history", "history_item"]

_STATUS = {"POST": "201 Created", "PUT": "200 OK", "DELETE": "204 No Content"}
_KNOWN = ("_count", "_since", "_at", "_after")
_LAST = 253_402_300_799_999
"""The last millisecond of the year 9999."""


async def history(
    store: Store, params: Sequence[tuple[str, str]] = (), *, type_: str = "", id_: str = "", context: Context
) -> bytes:
    """Answer a Bundle of type history, newest versions first.

    ``type_`` and ``id_`` name the resource; without ``id_`` it is of the type, without both of every type the
    caller may read. ``params`` are ``_count``, ``_since``, ``_at`` and the ``_after`` of page links. A page
    of long versions has fewer than asked for.
    NotFound if a resource is named that never was.
    """
    if type_:
        known_type(type_)
        context.allow("r", type_)
    given = _given(params, context)
    types = (type_,) if type_ else _readable(context)
    count = min(_count(given, context), context.max_page_size)
    since, at = _since(given, context), _at(given, context)
    asked = History(types, id_, since, at, count, given.get("_after", ""), MOST_BYTES)
    page = await store.history(asked)
    if id_ and not page.versions and await store.read(type_, id_) is None:
        raise NotFound(f"There is no {type_}/{id_[:64]}.")
    items = [history_item(version, context.base) for version in visible(page.versions, context=context)]
    address = "/".join(part for part in (context.base, type_, id_, "_history") if part)
    return bundle("history", items, total=page.total, links=_links(address, given, page, count))


def _given(params: Sequence[tuple[str, str]], context: Context) -> dict[str, str]:
    given: dict[str, str] = {}
    for name, value in params:
        if name in given:
            raise _bad(name, "it may be given once")
        if name in _KNOWN:
            given[name] = value
        elif not context.lenient:
            raise _bad(name, f"a history takes {', '.join(_KNOWN[:-1])}")
    return given


def _count(given: dict[str, str], context: Context) -> int:
    text = given.get("_count", str(context.page_size))
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise _bad("_count", "it must be a whole number, 0 or more")
    return int(text)


def _since(given: dict[str, str], context: Context) -> int | None:
    return _span("_since", given, context)[0] if "_since" in given else None


def _at(given: dict[str, str], context: Context) -> tuple[int, int] | None:
    return _span("_at", given, context) if "_at" in given else None


def _span(name: str, given: dict[str, str], context: Context) -> tuple[int, int]:
    """The time named, within those a store can hold."""
    try:
        # a + that the client did not encode reaches us as a space
        low, high = interval(given[name].replace(" ", "+"), context.zone)
    except ValueError as error:
        raise _bad(name, str(error)) from error
    return min(max(low, 0), _LAST), min(max(high, 0), _LAST)


def _readable(context: Context) -> tuple[str, ...]:
    """The types this caller may read, empty for all of them."""
    allowed = permitted(stored_types(), "r", context=context)
    return allowed if len(allowed) < len(stored_types()) else ()


def _links(address: str, given: dict[str, str], page: Page, count: int) -> list[Link]:
    def url(**more: str) -> str:
        text = urlencode([(name, value) for name, value in (given | more).items() if value], safe=":")
        return f"{address}?{text}" if text else address

    links = [("self", url())]
    if given.get("_after"):
        links.append(("first", url(_after="")))
    if page.next_after is not None:
        links.append(("next", url(_after=page.next_after, _count=str(count))))
    return links


def history_item(version: Version, base: str) -> Item:
    """One version as an entry of a history."""
    reference = f"{version.type}/{version.id}"
    created = version.version == 1 and version.method == "PUT"
    status = "201 Created" if created else _STATUS[version.method]
    asked = version.type if version.method == "POST" else reference
    response = {"status": status, "etag": version.etag, "lastModified": version.last_updated}
    request = {"method": version.method, "url": asked}
    return Item(f"{base}/{reference}", version.content, {"request": request, "response": response})


def _bad(name: str, why: str) -> InvalidInput:
    place = Place(expression=f"http.{name[:64]}")
    return InvalidInput(Issue(f"Parameter '{name[:64]}': {why}.", code=IssueType.VALUE, place=place))

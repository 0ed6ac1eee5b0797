"""Where subscriptions stand and what happened, over HTTP (Subscriptions R5 Backport 1.1.0, operations)."""

from dataclasses import replace

from starlette.responses import Response

from service.errors import NotFound
from service.fhir.bundle import Item, bundle
from service.fhir.datetimes import instant, milliseconds
from service.fhir.json import reread
from service.fhir.notification import Told, notification, status_item
from service.fhir.search_reading import Reader
from service.fhir.subscription import Subscription, read_subscription
from service.interactions.read import read
from service.operations.arguments import Arguments, arguments
from service.operations.subscription_events import telling, wanted
from service.rest.answers import answer
from service.rest.call import Call
from service.store.contract import Version
from service.store.subscriptions import Kept, events_between, kept

__all__ = ["events", "status", "status_of_one"]


async def status_of_one(call: Call) -> Response:
    """Answer where a subscription stands."""
    await _given(call, "status")
    version, one = await _stored(call)
    return await answer(call, _statuses([status_item("query-status", _told(call, version, one))]))


async def status(call: Call) -> Response:
    """Answer where subscriptions stand: those of these ids, in one of these statuses, or all."""
    given = await _given(call, "status")
    ids, statuses = given.get("id", []), given.get("status", [])
    call.allow("r", "Subscription")
    found = []
    for one in await kept(call.opened):
        version = await call.store.read("Subscription", one.id) if not ids or one.id in ids else None
        if version is not None and not version.deleted:
            told = _told(call, version, one)
            found += [status_item("query-status", told)] if not statuses or told.status in statuses else []
    return await answer(call, _statuses(found))


async def events(call: Call) -> Response:
    """Answer events of a subscription again, as far as the caller may read what they are about."""
    given = await _given(call, "events")
    version, one = await _stored(call)
    asked = _asked(call, version)
    if asked is None:
        raise NotFound("This Subscription asks for nothing that there is here, so that it has no events.")
    chosen = wanted(given, one.events, asked.content)
    happened = await events_between(call.opened, one.id, chosen.low, chosen.high)
    told = await telling(
        call.store,
        happened,
        chosen,
        asked.topic,
        may=lambda type_: call.principal.scopes.allow("r", type_),
        base=call.base,
    )
    body = notification(
        "query-event",
        _told(call, version, one),
        timestamp=instant(milliseconds(call.now())),
        events=told.events,
        resources=[*told.resources.values()],
    )
    return await answer(call, body)


async def _given(call: Call, name: str) -> Arguments:
    body = await call.resource_body(optional=True) if call.request.method == "POST" else b""
    name, depth = f"subscription-{name}", call.services.settings.max_depth
    return arguments(name, call.criteria, body, max_depth=depth)


async def _stored(call: Call) -> tuple[Version, Kept]:
    """The Subscription of the path, and what is kept of it."""
    version = await read(call.store, "Subscription", call.path("id"), context=call)
    (one,) = await kept(call.opened, version.id)
    return version, one


def _asked(call: Call, version: Version) -> Subscription | None:
    reader = Reader(call.zone, milliseconds(call.now()), call.base)
    return read_subscription(reread(version.content), reader)[0]


def _told(call: Call, version: Version, one: Kept) -> Told:
    tree = reread(version.content)
    address = f"{call.base}/Subscription/{version.id}"
    return Told(address, tree["status"], one.events, tree["criteria"], tree.get("error", "") or one.problem)


def _statuses(items: list[Item]) -> bytes:
    found = [replace(one, members={"search": {"mode": "match"}}) for one in items]
    return bundle("searchset", found, total=len(found))

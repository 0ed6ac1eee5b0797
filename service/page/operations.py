"""The operator's page: what waits to leave, what stands in its way, and what can be done about it.

It names no patient; who is parked for a destination is told by the command.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from service.errors import InvalidInput
from service.jobs.destination_state import pause, redrive, resume, states
from service.jobs.destinations import Destinations
from service.jobs.subscription_state import hurry, subscription_states
from service.page.guard import Guard
from service.page.operations_view import alarms, destination_rows, subscription_rows
from service.page.posted import posted
from service.page.rendering import html
from service.page.sections import OPERATIONS
from service.store.entries import Opened

__all__ = ["Queues", "operation_routes"]

_LONGEST_FORM = 4_096
_DONE = {
    "pause": "Nothing is sent to {0} until it is resumed.",
    "resume": "Sending to {0} goes on.",
    "redrive": "What waits for {0} is tried again now.",
    "hurry": "Subscription {0} is tried again now.",
}


@dataclass(frozen=True, slots=True)
class Queues:
    """What the page shows: the database, the destinations that are known, and who answers the present."""

    store: Opened
    known: Destinations
    now: Callable[[], datetime]

    async def act(self, name: str, of: str) -> None:
        """Do one thing to a destination or subscription; NotFound if there is none of that name."""
        acts: dict[str, Callable[[], Awaitable[object]]] = {
            "pause": lambda: pause(self.store, self.known, of),
            "resume": lambda: resume(self.store, self.known, of),
            "redrive": lambda: redrive(self.store, self.known, of),
            "hurry": lambda: hurry(self.store, of),
        }
        if name not in acts:
            raise InvalidInput("This form asks for something that can't be done here.")
        await acts[name]()


def operation_routes(queues: Callable[[Request], Queues], guard: Guard) -> list[Route]:
    """The routes of the page; ``queues`` are those of the service that answers."""
    pages = _Pages(queues, guard)
    return [
        Route(OPERATIONS.address, guard.around(answer), methods=[method], include_in_schema=False)
        for method, answer in (("GET", pages.shown), ("POST", pages.acted))
    ]


class _Pages:
    def __init__(self, queues: Callable[[Request], Queues], guard: Guard) -> None:
        self._queues, self._guard = queues, guard

    async def shown(self, request: Request) -> Response:
        """GET /app/operations."""
        caller = await self._guard.caller(request, OPERATIONS)
        queues = self._queues(request)
        destinations = await states(queues.store, queues.known, queues.now())
        subscriptions = await subscription_states(queues.store, queues.now())
        done = _DONE.get(request.query_params.get("done", ""), "")
        return html(
            "operations.html",
            caller=caller.called,
            form=self._guard.form_token(request),
            done=done.format(request.query_params.get("of", "")[:64]),
            alarms=alarms(destinations, subscriptions),
            troubled=[one.name for one in destinations if one.problem],
            tables=(
                ("Destinations", "Destination", destination_rows(destinations)),
                ("Subscriptions", "Subscription", subscription_rows(subscriptions)),
            ),
        )

    async def acted(self, request: Request) -> Response:
        """POST /app/operations: do it, then show how everything stands."""
        await self._guard.caller(request, OPERATIONS)
        sent = await posted(request, longest=_LONGEST_FORM)
        self._guard.own_form(request, sent.get("form", ""))
        act, of = sent.get("act", ""), sent.get("of", "")
        await self._queues(request).act(act, of)
        return RedirectResponse(f"{OPERATIONS.address}?{urlencode({'done': act, 'of': of})}", status_code=303)

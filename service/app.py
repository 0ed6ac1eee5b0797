"""The one place where the rooms meet: ``create_app(settings)`` builds a whole service."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, cast

from fastapi import APIRouter, FastAPI, Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from service import __version__
from service.correlation import Spans, open_spans
from service.interactions.context import definitions_with
from service.jobs.backlog import Backlog
from service.jobs.bulk_export import BulkExports
from service.jobs.cohorts import Cohorts
from service.jobs.delivery import Delivery
from service.jobs.delivery_sender import Sender
from service.jobs.destination import Destination
from service.jobs.destination_reading import read_destinations
from service.jobs.destinations import Destinations
from service.jobs.fetching import Fetching
from service.jobs.mllp_service import taking_messages
from service.jobs.outgoing import Outgoing
from service.jobs.runs import Runs
from service.jobs.subscriptions import Subscriptions
from service.jobs.summaries import Summaries
from service.operations.cue_limits import cue_limits
from service.operations.own_resources import own_resources
from service.page.acts import act_routes
from service.page.cohort import cohort_routes
from service.page.cookies import SESSION, names
from service.page.desk import Desk
from service.page.emergency import emergency_routes
from service.page.frame import Entrance
from service.page.guard import Guard
from service.page.guide_routes import guide_routes
from service.page.hospital_record import HospitalRecord
from service.page.login import login_routes
from service.page.operations import Queues, operation_routes
from service.page.panel import panel_routes
from service.page.panel_row import RowMaker
from service.page.routes import page_routes
from service.page.sign_in import SignIn
from service.page.stored import StoredViews
from service.rest.audited import Audited
from service.rest.call import Call, Services, services_of
from service.rest.counted import tell_of_jobs, tell_of_messages, tell_of_the_store
from service.rest.cross_origin import CrossOrigin, cross_origin
from service.rest.dispatch import documented
from service.rest.errors import HANDLED, error_answer
from service.rest.front import Front
from service.rest.limited import Limited, Limits, TimeLimit
from service.rest.metrics import Metrics
from service.rest.openapi import openapi_document
from service.rest.request_log import Lines, RequestLog
from service.rest.routes import API_ROUTES, FHIR_ROUTES
from service.rest.traced import Traced
from service.rest.warm import warmed
from service.security.access import Access, access
from service.security.cds_clients import CdsClients
from service.security.pace import Pace
from service.security.principal import Principal
from service.security.remembered import Remembered
from service.security.tokens import TokenVerifier
from service.settings import Settings
from service.store.beside import Beside
from service.store.code_lists import CodeLists
from service.store.contract import Store
from service.store.entries import Entries, Opened
from service.store.opening import open_store_or_wait
from service.store.traced import TracedStore
from service.terminology.codes import codes

if TYPE_CHECKING:
    from service.jobs.terminology_server import TerminologyServer

__all__ = ["Service", "create_app"]


def _now() -> datetime:
    return datetime.now(UTC)


def _seconds(clock: Callable[[], datetime]) -> Callable[[], float]:
    """Seconds since 1970 by a clock; every request asks, and the usual one need not count days for it."""
    return time.time if clock is _now else lambda: clock().timestamp()


class Service(FastAPI):
    """The application, answering through ``front``; what that does not answer comes back to FastAPI.

    ``services``, ``entries``, ``summaries`` (rows for lists) and ``subscriptions`` are there once it has
    started; ``lines`` are those its request log has not written yet.
    """

    services: Services
    entries: Entries
    summaries: Summaries
    subscriptions: Subscriptions
    front: ASGIApp
    lines: Lines

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request, or start and stop."""
        scope["app"] = self
        await (self.front if scope["type"] == "http" else super().__call__)(scope, receive, send)

    async def others(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve what is not in the table of FHIR routes."""
        await super().__call__(scope, receive, send)


def create_app(
    settings: Settings, store: Opened | None = None, clock: Callable[[], datetime] = _now
) -> Service:
    """Build the service. ``clock`` answers the present with a zone.

    A ``store`` passed in stays the caller's to close. Without one the service opens the database in
    ``settings.data_dir`` when it starts and closes it when it stops; a PostgreSQL that does not answer yet is
    opened later.
    """
    _check(settings)
    definitions = definitions_with(settings.guide_paths)
    code_lists = CodeLists(settings.code_list_folder)
    outgoing = Outgoing(settings.outgoing_hosts)
    fetching = Fetching(outgoing)
    believed = access(settings, fetching, lambda: app.entries, _seconds(clock))
    metrics = Metrics()
    believed.tokens.pace = _pace(settings.client_rate, settings)
    spans = open_spans() if settings.tracing else None
    runs, cds = Runs(), _cds_clients(settings, fetching, lambda: app.entries, _seconds(clock))

    @asynccontextmanager
    async def lifespan(app: Service) -> AsyncIterator[None]:
        elsewhere = _terminology_server(settings, outgoing)
        opened = store or await open_store_or_wait(settings, clock)
        own = own_resources(settings.snomed)
        shown = Beside(opened, own)
        followed = TracedStore(shown) if spans else shown
        app.entries = opened
        app.summaries = Summaries(
            opened, RowMaker(settings.zone, cue_limits(settings)), settings.zone, clock, runs
        )
        remembered, exporting, known = (
            Remembered(),
            asyncio.Lock(),
            Destinations(opened, settings.destinations),
        )
        bulk = BulkExports(settings, shown, opened, clock, remembered, code_lists, runs, exporting)
        app.subscriptions = Subscriptions(
            settings, opened, shown, clock, remembered, outgoing, believed.tokens.admits
        )
        app.services = Services(
            settings,
            followed,
            believed.tokens,
            believed.oauth,
            clock,
            definitions,
            code_lists,
            elsewhere.ask if elsewhere else None,
            smart_configuration=believed.smart_configuration,
            exporting=exporting,
            cohorts=Cohorts(settings.cohort_tables, settings.smallest_cell),
            remembered=remembered,
            metrics=metrics,
            runs=runs,
            backlog=Backlog(opened, app.summaries, known),
            bulk=bulk,
            outgoing=outgoing,
            opened=opened,
            cds_clients=cds,
        )
        tell_of_the_store(metrics, shown)
        tell_of_jobs(metrics, app.services)
        delivery = [_delivery(settings, known, outgoing, clock, runs).run()] if settings.delivery else []
        works = (app.summaries.run(), bulk.run(), app.subscriptions.run(), warmed(own), *delivery)
        beside = list(map(asyncio.create_task, works))
        try:
            tell = partial(tell_of_messages, metrics)
            async with taking_messages(settings, opened, definitions, clock, tell):
                yield
        finally:
            for task in beside:
                task.cancel()
            await asyncio.wait(beside)
            if store is None:
                await opened.close()
            if elsewhere is not None:
                await elsewhere.close()
            await fetching.close()
            app.lines.write()
            if spans is not None:
                await spans.close()

    app = Service(
        title="swallow-interop",
        version=__version__,
        lifespan=lifespan,
        redirect_slashes=False,
        openapi_url="/openapi.json",
        docs_url=None,  # its page loads script from another host
        redoc_url=None,
        exception_handlers=dict.fromkeys((*HANDLED, Exception), _answer_error),
    )
    app.include_router(_documented())
    app.router.routes.extend(_pages(settings, believed, fetching, _seconds(clock)))
    # FastAPI's own way of changing the document
    app.openapi = lambda: openapi_document(app, FHIR_ROUTES)  # type: ignore[method-assign]
    app.lines = Lines(every=settings.log_level == "info")
    app.front = _rings(app, believed.tokens, metrics, spans, settings)
    return app


def _check(settings: Settings) -> None:
    """Read what would else be found not to be readable at the first patient, or in the background."""
    cue_limits(settings)
    if settings.destinations:
        read_destinations(Path(settings.destinations))


@cache
def _documented() -> APIRouter:
    """The routes that FastAPI describes, looked into once for all services of a process: it takes 10 ms."""
    return documented(API_ROUTES)


def _pages(settings: Settings, believed: Access, fetching: Fetching, now: Callable[[], float]) -> list[Route]:
    flows, base = believed.flows, settings.base_url.rstrip("/")
    entrances = tuple(Entrance(flow.provider.name, f"/app/login/{id_}") for id_, flow in flows.items())
    guard = Guard(
        believed.tokens,
        believed.sealing,
        base,
        entrances,
        development=settings.development_issuer,
        trust_forwarded=settings.trust_forwarded,
    )
    record = HospitalRecord(fetching, _stored, f"{base}/fhir")
    return [
        *panel_routes(_summaries, _stored, guard),
        *act_routes(_desk, guard),
        *login_routes(believed, guard, record, _entries, now),
        *emergency_routes(guard, now),
        *cohort_routes(_cohorts, guard),
        *operation_routes(_queues, guard),
        *page_routes(_views, guard, SignIn(guard, believed.sessions, flows)),
        *guide_routes(guard),
    ]


def _entries(request: Request) -> Entries:
    return cast("Service", request.scope["app"]).entries


def _rings(
    app: Service, tokens: TokenVerifier, metrics: Metrics, spans: Spans | None, settings: Settings
) -> ASGIApp:
    """What stands around the front, from the inside out."""
    front = Front(FHIR_ROUTES, app.others, longest=settings.max_address_bytes)
    audited = Audited(
        TimeLimit(front, settings.answer_seconds, lambda: app.services.readiness.stopping),
        refuse=settings.audit_failure == "refuse",
        trust_forwarded=settings.trust_forwarded,
    )
    failures = "Answers whose access could not be recorded."
    metrics.tell("swallow_audit_failures", failures, lambda: audited.failures, grows=True)
    answering = _open_to_pages(audited, settings)
    by_https = settings.base_url.startswith("https://")
    limited = Limited(answering, _limits(settings, tokens))
    logged = RequestLog(limited, app.lines, metrics, by_https=by_https)
    return Traced(logged, spans) if spans else logged


def _limits(settings: Settings, tokens: TokenVerifier) -> Limits:
    return Limits(
        anonymous=_pace(settings.address_rate, settings),
        failures=_pace(settings.failure_rate, settings),
        believed=tokens.believed,
        cookies=names(SESSION),
        most=settings.max_requests,
        receive_s=settings.receive_seconds,
        trust_forwarded=settings.trust_forwarded,
    )


def _pace(per_second: float, settings: Settings) -> Pace:
    return Pace(per_second, settings.burst_seconds, time.monotonic)


def _open_to_pages(app: ASGIApp, settings: Settings) -> ASGIApp:
    """Let pages of the origins that the settings name call the service."""
    origins = tuple(settings.cors_origins.split())
    return CrossOrigin(app, **cross_origin(origins)) if origins else app


def _summaries(request: Request) -> Summaries:
    return cast("Service", request.scope["app"]).summaries


def _stored(request: Request, principal: Principal) -> Store:
    return _page_call(request, principal).store


def _cds_clients(
    settings: Settings, fetching: Fetching, entries: Callable[[], Entries], now: Callable[[], float]
) -> CdsClients | None:
    if not settings.cds_clients:
        return None
    return CdsClients(Path(settings.cds_clients), fetching.get, entries, now)


def _queues(request: Request) -> Queues:
    services = services_of(request)
    return Queues(cast("Opened", services.opened), cast("Backlog", services.backlog).known, services.now)


def _cohorts(request: Request) -> Cohorts:
    return services_of(request).cohorts


def _views(request: Request, principal: Principal) -> StoredViews:
    call = _page_call(request, principal)
    settings = call.services.settings
    return StoredViews(call.store, settings.zone, call.services.now, cue_limits(settings))


def _page_call(request: Request, principal: Principal) -> Call:
    return Call(request, services_of(request), principal, "application/fhir+json")


def _delivery(
    settings: Settings, known: Destinations, outgoing: Outgoing, clock: Callable[[], datetime], runs: Runs
) -> Delivery:
    def sender_for(destination: Destination) -> Sender:
        from service.jobs.senders import sender_for  # noqa: PLC0415 - its clients take 60 ms to import

        return sender_for(destination, known.store, outgoing)

    return Delivery(known.store, known, sender_for, clock, "swallow-interop", runs, settings.zone)


def _terminology_server(settings: Settings, outgoing: Outgoing) -> "TerminologyServer | None":
    if not settings.terminology_url:
        return None
    from service.jobs.terminology_server import TerminologyServer  # noqa: PLC0415 - its client takes 60 ms to import

    return TerminologyServer(settings.terminology_url, settings.terminology_token, outgoing)


def _desk(request: Request, principal: Principal) -> Desk:
    call = _page_call(request, principal)
    known = codes(call.services.settings.snomed)
    return Desk(_views(request, principal), call.workplace, principal, call.context, known)


async def _answer_error(request: Request, error: Exception) -> Response:
    return error_answer(error, request)

"""CDS Hooks 2.0: a record that opens a patient is shown where the swallowing goals stand.

Off unless the site lists CDS clients. The patient of the call is found here by an identifier, as the client's
ids are its own; of the prefetched Patient nothing else is used, and nothing is kept.
"""

from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import Response

from service.errors import InvalidInput, Issue, IssueType, NotFound, Place, PreconditionFailed
from service.fhir.datetimes import interval
from service.fhir.json import Tree, dump, parse
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, TokenValue
from service.operations.cds_card import card
from service.operations.cue_limits import cue_limits
from service.operations.goal_attainment import compute
from service.rest.call import Call, bearer, open_call
from service.rest.described import answers
from service.security.asker import seen_by
from service.security.audit import facts_of, note_caller
from service.security.cds_clients import CdsClient, CdsClients
from service.security.noted_store import NotedStore
from service.store.contract import Query, Store

__all__ = ["CARDS_DOCS", "FEEDBACK_DOCS", "SERVICE", "SERVICES_DOCS", "feedback", "patient_view", "services"]

SERVICE = "swallowing-goals"
_UTC = ZoneInfo("UTC")
_JSON = "application/json"
_TAGS: dict[str, Any] = {"tags": ["CDS Hooks"]}
SERVICES_DOCS = _TAGS | {"responses": answers({200: "The CDS services there are."}, _JSON)}
CARDS_DOCS = _TAGS | {"responses": answers({200: "One card, or none."}, _JSON)}
FEEDBACK_DOCS = _TAGS | {"responses": answers({200: "It was read."}, _JSON)}


async def services(request: Request) -> Response:
    """Tell which CDS services there are."""
    _clients(open_call(request))
    described = {
        "hook": "patient-view",
        "id": SERVICE,
        "title": "Swallowing goals",
        "description": "Where a person's swallowing goals stand, computed from visits, and attention cues.",
        "usageRequirements": "The prefetched Patient needs an identifier of a system the site named.",
        "prefetch": {"patient": "Patient/{{context.patientId}}"},
    }
    return Response(dump({"services": [described]}), media_type=_JSON)


async def patient_view(request: Request) -> Response:
    """Answer a card about the patient whose record was opened."""
    call = open_call(request)
    client = await _client(call)
    tree = parse(await call.body(), max_depth=call.services.settings.max_depth)
    _check(tree)
    store = _seen(call, client)
    patient = await _patient(store, tree, client, call)
    if patient is None:
        return Response(dump({"cards": []}), media_type=_JSON)
    limits, today = cue_limits(call.services.settings), call.now().astimezone(call.zone).date()
    answer = await compute(store, patient, today, zone=call.zone, limits=limits)
    found = card(answer, call.base.removesuffix("/fhir"))
    return Response(dump({"cards": [found] if found else []}), media_type=_JSON)


async def feedback(request: Request) -> Response:
    """Read what became of a card; nothing of it is kept but how often it was accepted or overridden."""
    call = open_call(request)
    await _client(call)
    tree = parse(await call.body(), max_depth=call.services.settings.max_depth)
    told = tree.get("feedback")
    if not isinstance(told, list) or not told:
        raise InvalidInput("'feedback' must be a list with something in it.", expression="feedback")
    issues = [issue for place, one in enumerate(told) for issue in _of_feedback(one, f"feedback[{place}]")]
    if issues:
        raise InvalidInput(issues)
    for one in told:
        call.services.cds_feedback[one["outcome"]] += 1
    return Response(b"{}", media_type=_JSON)


def _clients(call: Call) -> CdsClients:
    clients = call.services.cds_clients
    if clients is None:
        raise NotFound("This site offers no CDS services.")
    return clients


async def _client(call: Call) -> CdsClient:
    """Who calls, noted for the AuditEvent."""
    clients = _clients(call)
    facts = facts_of(call.request.scope)
    if facts is not None:  # open as an address, as its token is no access token; not as what it answers
        facts.audited, facts.subtype, facts.action = True, "operation", "E"
    address = f"{call.base.removesuffix('/fhir')}{call.request.scope['path']}"
    client = await clients.verify(bearer(call.request), address)
    note_caller(call.request.scope, client.asker.principal, "")
    return client


def _seen(call: Call, client: CdsClient) -> Store:
    care = call.services.settings.clinician_reach
    store = seen_by(call.services.store, client.asker, call, care, call.services.remembered)
    facts = facts_of(call.request.scope)
    return NotedStore(store, facts) if facts else store


def _check(tree: Tree) -> None:
    """InvalidInput names everything of the request that can't be used."""
    issues = [
        _issue(name, f"'{name}' is required, as text.")
        for name in ("hook", "hookInstance")
        if not isinstance(tree.get(name), str)
    ]
    if isinstance(tree.get("hook"), str) and tree["hook"] != "patient-view":
        issues.append(_issue("hook", "This service answers the hook 'patient-view' alone."))
    context = tree.get("context")
    said = context if isinstance(context, dict) else {}
    issues += [
        _issue(f"context.{name}", f"'context.{name}' is required, as text.")
        for name in ("userId", "patientId")
        if not isinstance(said.get(name), str)
    ]
    if issues:
        raise InvalidInput(issues)


async def _patient(store: Store, tree: Tree, client: CdsClient, call: Call) -> str | None:
    """The id here of the patient of a call, None if nobody is meant by it alone."""
    id_ = tree["context"]["patientId"]
    if tree.get("fhirServer") == call.base:
        found = await store.read("Patient", id_)
        return None if found is None or found.deleted else id_
    prefetched = tree.get("prefetch", {}).get("patient") if isinstance(tree.get("prefetch"), dict) else None
    if not isinstance(prefetched, dict) or prefetched.get("id") != id_:
        text = "The key 'patient' of the prefetch is needed: it must hold the Patient of the context."
        raise PreconditionFailed(Issue(text, code=IssueType.NOT_FOUND, place=Place("prefetch.patient")))
    values = tuple(_told(prefetched, client.patient_systems))
    if not values:
        return None
    known = parameters("Patient")["identifier"]
    clause = Clause(known.indexes, "token", values, wide=known.wide)
    page = await store.search(Query("Patient", (clause,), count=2, total="none"))
    return page.versions[0].id if len(page.versions) == 1 else None


def _told(patient: Tree, systems: tuple[str, ...]) -> list[TokenValue]:
    listed = patient.get("identifier")
    found = [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []
    return [
        TokenValue(one["system"], one["value"])
        for one in found
        if one.get("system") in systems and isinstance(one.get("value"), str) and one["value"]
    ]


def _of_feedback(one: Any, at: str) -> list[Issue]:
    if not isinstance(one, dict):
        return [_issue(at, "Feedback is an object about one card.")]
    issues = []
    if not isinstance(one.get("card"), str):
        issues.append(_issue(f"{at}.card", "'card' is required: the uuid of the card."))
    if one.get("outcome") not in {"accepted", "overridden"}:
        issues.append(_issue(f"{at}.outcome", "'outcome' must be accepted or overridden."))
    try:
        interval(str(one.get("outcomeTimestamp")), _UTC)
    except ValueError:
        issues.append(_issue(f"{at}.outcomeTimestamp", "'outcomeTimestamp' must be a time in UTC."))
    return issues


def _issue(where: str, text: str) -> Issue:
    return Issue(text, code=IssueType.VALUE, place=Place(expression=where))

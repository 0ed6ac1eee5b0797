"""Topics about visits: what is recorded, what waits for a signature, and the cues that are raised."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import AsyncClient
from receiving import Receiver, said
from sample_visits import visit_tree

from service.fhir.json import dump
from service.security.development_issuer import DevelopmentIssuer

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("H5", "H8")]

ROOT = "https://swallow-interop.example.org/fhir/SubscriptionTopic"
CONTENT = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content"


@pytest.fixture
def clock() -> Callable[[], datetime]:
    """After all visits of the demo."""
    return lambda: datetime(2026, 12, 1, 9, 0, tzinfo=UTC)


@pytest.fixture
def sign(issuer: DevelopmentIssuer, clock: Callable[[], datetime]) -> Callable[[str], str]:
    return lambda scope: issuer.sign("test", scope, now=clock().timestamp())


def subscription(endpoint: str, topic: str) -> dict[str, Any]:
    content = {"extension": [{"url": CONTENT, "valueCode": "id-only"}]}
    channel = {
        "type": "rest-hook",
        "endpoint": endpoint,
        "payload": "application/fhir+json",
        "_payload": content,
    }
    return {
        "resourceType": "Subscription",
        "status": "requested",
        "reason": "HTEST",
        "criteria": f"{ROOT}/{topic}",
        "channel": channel,
    }


async def send(client: AsyncClient, tree: dict[str, Any]) -> None:
    headers = {"Content-Type": "application/json"}
    answer = await client.post("/intake/visits", content=dump(tree), headers=headers)
    assert answer.is_success, answer.text


def draft(tree: dict[str, Any]) -> dict[str, Any]:
    return tree | {"signature": {"state": "draft"}}


async def heard(app: FastAPI, receiver: Receiver) -> list[dict[str, Any]]:
    """The events told since this was asked before."""
    for _ in range(2):
        await app.subscriptions.settle()
    events = [event for one in receiver.events() for event in said(one)["notification-event"]]
    receiver.came.clear()
    return events


async def test_a_visit_is_told_of_when_it_is_signed(
    app: FastAPI, integrator: AsyncClient, receiver: Receiver
) -> None:
    for topic in ("visit-recorded", "goal-status-changed", "study-finalised"):
        made = await integrator.post("/fhir/Subscription", json=subscription(receiver.url, topic))
        assert made.status_code == 201, made.text
    await heard(app, receiver)
    tree = visit_tree("demo-02-visit-1")
    await send(integrator, draft(tree))
    assert await heard(app, receiver) == []
    await send(integrator, tree | {"signature": {"state": "signed", "signed_at": "2026-05-01T12:00-04:00"}})
    focused = [one["focus"].split("/")[-2] for one in await heard(app, receiver)]
    assert sorted(set(focused)) == ["Encounter", "Goal"]
    assert focused.count("Encounter") == 1
    await send(integrator, tree | {"signature": {"state": "signed", "signed_at": "2026-05-01T12:00-04:00"}})
    assert await heard(app, receiver) == []


async def cues(client: AsyncClient) -> set[str]:
    """The kinds of cue that the operation tells of the one patient."""
    found = (await client.get("/fhir/Patient")).json().get("entry", ())
    answers = [
        await client.get(f"/fhir/Patient/{one['resource']['id']}/$goal-attainment?date=2026-12-01")
        for one in found
    ]
    parts = [one["part"] for answer in answers for one in answer.json()["parameter"] if one["name"] == "cue"]
    return {part["valueCode"] for one in parts for part in one if part["name"] == "code"}


async def test_a_cue_is_told_of_when_what_is_written_raises_it(
    app: FastAPI, integrator: AsyncClient, receiver: Receiver
) -> None:
    made = await integrator.post(
        "/fhir/Subscription", json=subscription(receiver.url, "attention-cue-raised")
    )
    assert made.status_code == 201, made.text
    await heard(app, receiver)
    raised = []
    for record in ("evaluation-1", "visit-1", "visit-2", "visit-3", "visit-4", "evaluation-2", "visit-5"):
        before = await cues(integrator)
        await send(integrator, visit_tree(f"demo-04-{record}"))
        new = await cues(integrator) - before
        events = await heard(app, receiver)
        assert bool(events) is bool(new), record
        assert {one["focus"].split("/")[-2] for one in events} <= {"Patient"}
        raised += [record] if new else []
    assert 2 < len(raised) < 7, raised


async def test_whoever_may_not_read_what_cues_rest_on_gets_none(
    app: FastAPI, client_of: Any, sign: Any, receiver: Receiver
) -> None:
    client = client_of("integrator")
    client.headers["Authorization"] = f"Bearer {sign('system/Subscription.cruds system/Patient.rs')}"
    made = await client.post("/fhir/Subscription", json=subscription(receiver.url, "attention-cue-raised"))
    assert made.status_code == 400
    assert [one["code"] for one in made.json()["issue"]] == ["forbidden"] * 5
    assert app

"""The operator's page over a whole service: what waits, what is said of it, and what can be done about it."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from hashlib import sha256

import pytest
from fastapi import FastAPI
from httpx import AsyncClient, Response
from receiving import Receiver

from service.jobs.delivery_worker import problem_of
from service.jobs.destination import Destination
from service.page.operations_view import lasted
from service.store import destinations as standing

pytestmark = pytest.mark.anyio

SAME = {"Origin": "http://test", "Sec-Fetch-Site": "same-origin"}
CONTENT = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content"


@pytest.fixture
def operator(client_of: Callable[[str], AsyncClient], sign: Callable[..., str]) -> AsyncClient:
    client = client_of("stranger")
    client.headers["Authorization"] = f"Bearer {sign('operate')}"
    return client


async def page(operator: AsyncClient, address: str = "/app/operations") -> str:
    answer = await operator.get(address)
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


async def act(operator: AsyncClient, name: str, of: str) -> Response:
    """Press a button of the page."""
    sent = {"form": made_for(operator), "act": name, "of": of}
    return await operator.post("/app/operations", data=sent, headers=SAME)


def made_for(client: AsyncClient) -> str:
    """What a form of the page carries for this caller."""
    token = client.headers["Authorization"].removeprefix("Bearer ")
    return sha256(f"form {token}".encode()).hexdigest()


async def test_destinations_are_paused_and_resumed(app: FastAPI, operator: AsyncClient) -> None:
    assert "Nothing waits too long, and nothing is in error." in await page(operator)
    known = app.services.backlog.known
    await known.add(Destination("record", "fhir", "https://record.example.org/fhir"))
    assert "delivering" in await page(operator)
    assert made_for(operator) in (await operator.get("/app/operations")).text
    done = await act(operator, "pause", "record")
    assert (done.status_code, done.headers["location"]) == (303, "/app/operations?done=pause&of=record")
    text = await page(operator, done.headers["location"])
    assert "Nothing is sent to record until it is resumed." in text
    assert "paused by somebody" in text
    assert (await act(operator, "resume", "record")).status_code == 303
    assert "delivering" in await page(operator)
    assert (await act(operator, "redrive", "record")).status_code == 303
    assert (await act(operator, "redrive", "nowhere")).status_code == 404
    assert (await act(operator, "destroy", "record")).status_code == 400
    forged = await operator.post("/app/operations", data={"act": "pause", "of": "record"}, headers=SAME)
    assert forged.status_code == 403
    elsewhere = {"Origin": "https://evil.example.org"}
    assert (await operator.post("/app/operations", data={}, headers=elsewhere)).status_code == 403
    assert "delivering" in await page(operator)


async def test_what_waits_too_long_is_told_and_tried_again(
    app: FastAPI, integrator: AsyncClient, operator: AsyncClient, receiver: Receiver
) -> None:
    tree = {
        "resourceType": "Subscription",
        "id": "one",
        "status": "requested",
        "reason": "HTEST",
        "criteria": "https://swallow-interop.example.org/fhir/SubscriptionTopic/goal-status-changed",
        "channel": {
            "type": "rest-hook",
            "endpoint": receiver.url,
            "payload": "application/fhir+json",
            "_payload": {"extension": [{"url": CONTENT, "valueCode": "empty"}]},
        },
    }
    assert (await integrator.put("/fhir/Subscription/one", json=tree)).status_code == 201
    await app.subscriptions.settle()
    goal = {
        "resourceType": "Goal",
        "id": "g",
        "lifecycleStatus": "active",
        "description": {"text": "secret-of-somebody"},
        "subject": {"reference": "Patient/secret-person"},
    }
    await integrator.put("/fhir/Goal/g", json=goal)
    receiver.answers = [503]
    await app.subscriptions.settle()
    await app.subscriptions.settle()
    app.services.backlog.summaries.now = lambda: datetime.now(UTC) + timedelta(days=400)
    text = await page(operator)
    assert "goal-status-changed to 127.0.0.1 active 1 1 event, the oldest for" in text
    assert "The endpoint answered 503." in text
    assert "secret" not in text
    metrics = (await operator.get("/metrics")).text
    labels = '{status="active",topic="goal-status-changed"}'
    assert f"swallow_subscriptions{labels} 1.0" in metrics
    assert f"swallow_subscription_events_waiting{labels} 1.0" in metrics
    came = len(receiver.came)
    assert (await act(operator, "hurry", "one")).status_code == 303
    await app.subscriptions.settle()
    await app.subscriptions.settle()
    assert len(receiver.came) == came + 1
    assert "nothing" in await page(operator)
    assert (await act(operator, "hurry", "nobody")).status_code == 404


async def test_only_who_operates_sees_it(integrator: AsyncClient, stranger: AsyncClient) -> None:
    assert (await integrator.get("/app/operations")).status_code == 403
    assert (await stranger.get("/app/operations")).status_code == 401


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 seconds"), (61, "1 minute"), (7_300, "2 hours"), (90_000, "1 day"), (180_000, "2 days")],
)
def test_times_are_told_in_their_largest_unit(seconds: float, words: str) -> None:
    assert lasted(seconds) == words


async def test_where_the_last_try_went_wrong_the_page_does_not_say_all_is_well(
    app: FastAPI, operator: AsyncClient
) -> None:
    known = app.services.backlog.known
    await known.add(Destination("record", "fhir", "https://record.example.org/fhir"))
    await standing.met(known.store, "record", problem_of("The receiving end answered 403."), whole=False)
    text = await page(operator)
    assert "the last tries went wrong: record." in text
    assert "nothing is in error" not in text

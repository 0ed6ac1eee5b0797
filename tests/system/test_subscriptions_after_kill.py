"""Two services on one database, one of them killed: a subscriber in its own process hears every event."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from databases import database
from processes import client, serving, token
from receiving import said

GUIDE = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition"
RECEIVING = Path(__file__).parents[1] / "receiving.py"
SETTINGS = {"SWALLOW_OUTGOING_HOSTS": "127.0.0.1"}


@contextmanager
def subscriber(file: Path) -> Iterator[str]:
    """The address of an endpoint in a process of its own, which files what it hears."""
    words = [sys.executable, str(RECEIVING), str(file)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:  # noqa: S603
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip()
        finally:
            process.kill()


def subscription(endpoint: str) -> dict:
    content = {"extension": [{"url": f"{GUIDE}/backport-payload-content", "valueCode": "id-only"}]}
    seconds = [
        {"url": f"{GUIDE}/backport-timeout", "valueUnsignedInt": 1},
        {"url": f"{GUIDE}/backport-max-count", "valuePositiveInt": 3},
    ]
    return {
        "resourceType": "Subscription",
        "status": "requested",
        "reason": "HTEST",
        "criteria": "https://swallow-interop.example.org/fhir/SubscriptionTopic/goal-status-changed",
        "channel": {
            "extension": seconds,
            "type": "rest-hook",
            "endpoint": endpoint,
            "payload": "application/fhir+json",
            "_payload": content,
        },
    }


def write(http: httpx.Client, lifecycle: str, id_: str) -> None:
    goal = {
        "resourceType": "Goal",
        "id": id_,
        "lifecycleStatus": lifecycle,
        "description": {"text": "HTEST"},
        "subject": {"reference": "Patient/somebody"},
    }
    assert http.put(f"/Goal/{id_}", json=goal).is_success


def numbers(file: Path) -> list[int]:
    """The numbers of the events that were heard, as they came."""
    bundles = [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []
    return [int(one["event-number"]) for bundle in bundles for one in said(bundle)["notification-event"]]


def heard(file: Path, newest: int) -> list[int]:
    """The numbers, once the newest is among them."""
    end = time.monotonic() + 60
    while newest not in (found := numbers(file)) and time.monotonic() < end:
        time.sleep(0.05)
    return found


def active(http: httpx.Client, id_: str) -> None:
    end = time.monotonic() + 60
    while http.get(f"/Subscription/{id_}").json()["status"] != "active" and time.monotonic() < end:
        time.sleep(0.05)


@pytest.mark.conformance("H8")
def test_every_event_is_heard_once_by_two_services_and_all_when_one_is_killed(
    tmp_path: Path, postgres_server: str
) -> None:
    words = ("serve", "--port", "0", "--development-issuer", "--data-dir", tmp_path)
    with database(postgres_server) as url, subscriber(tmp_path / "heard") as endpoint:
        settings = SETTINGS | {"SWALLOW_DATABASE_URL": url}
        with serving(*words, settings=settings) as one, serving(*words, settings=settings) as other:
            bearer = token(tmp_path)
            with client(one, bearer) as here, client(other, bearer) as there:
                id_ = here.post("/Subscription", json=subscription(endpoint)).raise_for_status().json()["id"]
                active(there, id_)
                for number in range(20):
                    write((here, there)[number % 2], "active", f"goal-{number}")
                assert heard(tmp_path / "heard", 20) == list(range(1, 21))
                for number in range(10):
                    write(here, "completed", f"goal-{number}")
                one.kill()
                for number in range(10, 20):
                    write(there, "completed", f"goal-{number}")
                everything = heard(tmp_path / "heard", 40)
                assert list(dict.fromkeys(everything)) == list(
                    range(1, 41)
                )  # some may come again, none early
                status = there.get(f"/Subscription/{id_}/$status").raise_for_status().json()
                assert said(status)["events-since-subscription-start"] == "40"

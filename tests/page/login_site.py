"""The service before a hospital, for tests of signing in, and a browser without script before it."""

import copy
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
from hospital import PATIENTS, STAFF, Hospital

from service.app import create_app
from service.security.development_issuer import DevelopmentIssuer
from service.settings import Settings

ROOT = "http://127.0.0.1:8080"
MINE, OTHERS = "person-of-mine", "person-of-others"


def on_file() -> list[dict[str, Any]]:
    """A therapist, a person of theirs, and one of somebody else's."""
    return [
        {"resourceType": "Practitioner", "id": "wren", "identifier": [{"system": STAFF, "value": "slp-01"}]},
        *(
            {"resourceType": "Patient", "id": id_, "identifier": [{"system": PATIENTS, "value": value}]}
            for id_, value in ((MINE, "demo-05"), (OTHERS, "demo-02"))
        ),
        *(
            {
                "resourceType": "Goal",
                "id": f"goal-{id_}",
                "lifecycleStatus": "active",
                "description": {"text": "Eat at home"},
                "subject": {"reference": f"Patient/{id_}"},
            }
            for id_ in (MINE, OTHERS)
        ),
        {
            "resourceType": "CareTeam",
            "id": "team",
            "status": "active",
            "subject": {"reference": f"Patient/{MINE}"},
            "participant": [{"member": {"reference": "Practitioner/wren"}}],
        },
    ]


class Site:
    """The service, a browser before it, and the hospital."""

    def __init__(self, folder, there: Hospital) -> None:
        self.outside = httpx.AsyncClient()
        self.there, self.ahead, self.since = there, 0.0, datetime.now(UTC)
        self.settings = Settings(
            data_dir=folder,
            base_url=ROOT,
            development_issuer=True,
            providers=str(folder / "providers.json"),
            outgoing_hosts="127.0.0.1",
            failure_rate=0,
        )
        there.now = lambda: self.now().timestamp()

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.ahead += seconds

    def now(self) -> datetime:
        return datetime.now(UTC) + timedelta(seconds=self.ahead)

    @asynccontextmanager
    async def with_settings(self, **changes: object) -> AsyncIterator["Site"]:
        """A process of the same database with other settings, before a browser of its own."""
        settings = self.settings.model_copy(update=changes)
        other = copy.copy(self)
        other.app = create_app(settings, self.app.entries, clock=self.now)
        async with other.app.router.lifespan_context(other.app), other.another_browser() as other.browser:
            self.browser, usual = other.browser, self.browser
            yield other
            self.browser = usual

    @asynccontextmanager
    async def running(self) -> AsyncIterator["Site"]:
        """Start it, with people on file."""
        folder = self.settings.data_dir
        providers = [self.there.login(folder), self.there.record(folder)]
        (folder / "providers.json").write_text(json.dumps(providers))
        self.app = create_app(self.settings, clock=self.now)
        async with (
            self.app.router.lifespan_context(self.app),
            self.another_browser() as self.browser,
            self.outside,
        ):
            entries = [
                {"resource": one, "request": {"method": "PUT", "url": f"{one['resourceType']}/{one['id']}"}}
                for one in on_file()
            ]
            bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
            (await self.browser.post("/fhir", json=bundle, headers=self.signed())).raise_for_status()
            yield self

    def signed(self) -> dict[str, str]:
        """The header of a program that may do everything."""
        issuer = DevelopmentIssuer(self.settings.data_dir)
        token = issuer.sign("x", "system/*.cruds audit-read", now=self.now().timestamp())
        return {"Authorization": f"Bearer {token}"}

    def another_browser(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(transport=httpx.ASGITransport(self.app), base_url=ROOT)

    async def sent_back(self, start: str = "/app/login/login") -> str:
        """Begin, sign in there, and answer the address the browser is sent back to."""
        begun = await self.browser.get(start)
        assert begun.status_code == 303, begun.text
        return (await self.outside.get(begun.headers["location"])).headers["location"]

    async def signed_in(self, start: str = "/app/login/login") -> httpx.Response:
        return await self.browser.get(await self.sent_back(start))

    async def events(self, subtype: str = "110122") -> list[dict[str, Any]]:
        """What was recorded of sign-ins since the test began."""
        since = self.since.isoformat(timespec="milliseconds").replace("+", "%2B")
        address = f"/fhir/AuditEvent?subtype={subtype}&date=ge{since}&_count=100"
        found = await self.browser.get(address, headers=self.signed())
        return [entry["resource"] for entry in found.json().get("entry", [])]
